"""A real mail server (aiosmtpd) for tests/mail/main.rs.

Arguments: folder, port, mode (starttls | implicit). The folder holds server.pem
and server.key; each mail taken is described there as one JSON file, read by
Python's own email package. Recipients whose name begins with nobody, greylist
or hang are refused, put off or never answered; slow waits 0.7 s before each reply.
"""
import asyncio
import json
import os
import ssl
import sys
import time
from email import message_from_bytes, policy

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult

FOLDER, PORT, MODE = sys.argv[1], int(sys.argv[2]), sys.argv[3]


def authenticate(server, session, envelope, mechanism, data):
    good = data.login == b"grower" and data.password == b"pass word"
    return AuthResult(success=good, handled=False)


def described(part):
    inside = [described(child) for child in part.iter_parts()] if part.is_multipart() else []
    about = {"type": part.get_content_type(), "parts": inside}
    if part.get_content_maintype() == "text":
        about["text"] = part.get_content()
    if not part.is_multipart():
        about["bytes"] = len(part.get_payload(decode=True))
        about["cid"] = part.get("Content-ID")
        about["disposition"] = part.get_content_disposition()
    return about


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("nobody"):
            return "550 5.1.1 No such user here"
        if address.startswith("greylist"):
            return "451 4.7.1 Greylisted, come back later"
        if address.startswith("slow"):
            await asyncio.sleep(0.7)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        if envelope.rcpt_tos[0].startswith("hang"):
            await asyncio.sleep(600)
        if envelope.rcpt_tos[0].startswith("slow"):
            await asyncio.sleep(0.7)
        message = message_from_bytes(envelope.content, policy=policy.default)
        about = {
            "tls": server.transport.get_extra_info("ssl_object") is not None,
            "authenticated": bool(session.authenticated),
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "headers": {name: str(value) for name, value in message.items()},
            "defects": [str(defect) for defect in message.defects],
            "longest_line": max(len(line) for line in envelope.content.split(b"\r\n")),
            "body": described(message),
        }
        path = os.path.join(FOLDER, "%d.json" % time.time_ns())
        with open(path + ".part", "w") as file:
            json.dump(about, file)
        os.rename(path + ".part", path)
        return "250 OK queued"


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(os.path.join(FOLDER, "server.pem"), os.path.join(FOLDER, "server.key"))
login = {"authenticator": authenticate, "auth_required": True}


class Server(Controller):
    def factory(self):
        if MODE == "starttls":
            return SMTP(self.handler, hostname="localhost", tls_context=context, require_starttls=True, **login)
        return SMTP(self.handler, hostname="localhost", auth_require_tls=False, **login)


server = Server(Handler(), hostname="127.0.0.1", port=PORT, ssl_context=context if MODE == "implicit" else None)
server.start()
print("ready", flush=True)
# The test holds our standard input; when it goes away, so do we.
sys.stdin.read()
server.stop()
