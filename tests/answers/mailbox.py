"""Somebody else's view of the mailbox, over IMAP with Python's imaplib.

Arguments: port, ca file, and one of
  append        stdin is a mail; delivers it to INBOX with APPEND
  flags         one line a mail: its UID, then its flags as the server stores them
  thread        the server's THREAD REFERENCES (RFC 5256) of INBOX, as JSON
"""
import imaplib
import json
import re
import ssl
import sys

PORT, CA, WHAT = int(sys.argv[1]), sys.argv[2], sys.argv[3]

box = imaplib.IMAP4_SSL("localhost", PORT, ssl_context=ssl.create_default_context(cafile=CA))
box.login("warden", "pass word")
if WHAT == "append":
    status, answer = box.append("INBOX", None, None, sys.stdin.buffer.read())
    assert status == "OK", answer
elif WHAT == "flags":
    box.select("INBOX", readonly=True)
    _, rows = box.uid("FETCH", "1:*", "(FLAGS)")
    for row in rows:
        if row:
            uid = re.search(rb"UID (\d+)", row).group(1).decode()
            print(uid, re.search(rb"FLAGS \(([^)]*)\)", row).group(1).decode())
elif WHAT == "thread":
    box.select("INBOX", readonly=True)
    _, threads = box._simple_command("THREAD", "REFERENCES", "UTF-8", "ALL")
    _, threads = box._untagged_response("OK", [None], "THREAD")
    print(json.dumps([line.decode() for line in threads if line]))
box.logout()
