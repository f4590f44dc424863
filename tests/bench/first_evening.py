"""The first evening of a new grower, timed: from the program to the first letter, a round of
six racks on the page, and a reply until it is "seen". Against the example broker of
deploy/mosquitto.conf, a real mail server (tests/mail/server.py) and a real Dovecot.

    python3 tests/bench/first_evening.py target/release/traywarden

Prints figures and what the program said; asserts nothing but that it goes on. Needs what
tests/answers needs. A person's reading and typing is not in the times: the commands and
edits are counted instead.
"""
import html
import imaplib
import json
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from datetime import datetime, timedelta, timezone
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = Path(sys.argv[1]).resolve()
HOME = Path(tempfile.mkdtemp(prefix="first-evening-"))
RACKS = [f"rack-{letter}" for letter in "abcdef"]
ENDS = []
PASSWORD = "tray word"


def free_port():
    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        return any_port.getsockname()[1]


def run(*words, **more):
    return subprocess.run([str(word) for word in words], text=True, capture_output=True, **more)


def begin(*words, **more):
    process = subprocess.Popen([str(word) for word in words], stdin=subprocess.PIPE, **more)
    ENDS.append(process)
    return process


def wait_for(what, look, seconds=180):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = look()
        if found:
            return found
        time.sleep(0.05)
    sys.exit(f"waited {seconds} s in vain for {what}")


def figure(what, value):
    print(f"  {what:58} {value}", flush=True)


def verb(*words):
    return run(PROGRAM, "--config", HOME / "traywarden.toml", *words, cwd=HOME)


# --- What a room has before: a broker as the example makes it, sensors that speak, mail.

def broker():
    inside, outside = free_port(), free_port()
    settings = (ROOT / "deploy/mosquitto.conf").read_text()
    for old, new in [
        ("listener 1883 ", f"listener {inside} "), ("listener 1884", f"listener {outside} 127.0.0.1"),
        ("/etc/mosquitto/traywarden.", f"{HOME}/traywarden."),
    ]:
        settings = settings.replace(old, new)
    (HOME / "mosquitto.conf").write_text(f"user root\npersistence_location {HOME}/\n{settings}")
    shutil.copy(ROOT / "deploy/acl", HOME / "traywarden.acl")
    for nth, user in enumerate(["traywarden", "button", "tank", *RACKS]):
        created = ["-c"] if nth == 0 else []
        run("mosquitto_passwd", "-b", *created, HOME / "traywarden.passwords", user, PASSWORD, check=True)
    begin("mosquitto", "-c", HOME / "mosquitto.conf", stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    wait_for("the broker", lambda: reached(inside))
    return inside, outside


def reached(port):
    try:
        socket.create_connection(("127.0.0.1", port)).close()
        return True
    except OSError:
        return False


class Sensors(threading.Thread):
    """Six racks and a tank, each by its own user, every ten seconds."""

    def __init__(self, port):
        super().__init__(daemon=True)
        self.port, self.distance = port, 150

    def say(self, user, topic, value):
        run("mosquitto_pub", "-p", self.port, "-u", user, "-P", PASSWORD, "-t", topic, "-m", value)

    def run(self):
        while True:
            for nth, rack in enumerate(RACKS):
                air = {"temperature": 20.5 + nth / 10, "humidity": 52 + nth}
                self.say(rack, f"loft/{rack}/air", json.dumps(air))
            self.say("tank", "loft/tank/distance", str(self.distance))
            time.sleep(8)


def mail():
    for line in [
        "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=test -keyout ca.key -out ca.pem",
        "req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj /CN=localhost -keyout server.key -out server.csr",
    ]:
        run("openssl", *line.split(), cwd=HOME, check=True)
    (HOME / "names").write_text("subjectAltName=DNS:localhost\n")
    signed = "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile names -out server.pem"
    run("openssl", *signed.split(), cwd=HOME, check=True)
    (HOME / "password").write_text("pass word\n")
    os.chmod(HOME / "password", 0o600)
    (HOME / "sent").mkdir()
    for name in ["server.pem", "server.key"]:
        shutil.copy(HOME / name, HOME / "sent" / name)
    port = free_port()
    server = begin(sys.executable, ROOT / "tests/mail/server.py", HOME / "sent", port, "implicit",
                   stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    server.stdout.readline()
    return port


def letters():
    return [json.loads(path.read_text()) for path in sorted((HOME / "sent").glob("*.json"))]


def mailbox():
    """Dovecot with the settings of tests/answers/dovecot.rs."""
    folder, port = HOME / "dovecot", free_port()
    text = (ROOT / "tests/answers/dovecot.rs").read_text()
    text = text[text.index('r#"') + 3:text.index('"#\n')]
    for name, value in {"folder": folder, "port": port, "user": "nobody", "group": "nogroup"}.items():
        text = text.replace("{" + name + "}", str(value))
    for name in ["home", "run"]:
        (folder / name).mkdir(parents=True)
    (folder / "dovecot.conf").write_text(text.replace("{{", "{").replace("}}", "}"))
    (folder / "users").write_text("warden:{PLAIN}pass word\n")
    for name in ["server.pem", "server.key"]:
        shutil.copy(HOME / name, folder / name)
    os.chmod(HOME, 0o755)
    run("chown", "-R", "nobody:nogroup", folder, check=True)
    begin("setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups", "dovecot", "-F", "-c",
          folder / "dovecot.conf")
    wait_for("dovecot", lambda: reached(port))
    return port


def reply(port, letter, words):
    headers = letter["headers"]
    answered = (
        f"From: Ada <grower@saltmarsh.example>\r\nTo: warden@saltmarsh.example\r\nSubject: Re: {headers['Subject']}\r\n"
        f"Message-ID: <reply-{time.time_ns()}@saltmarsh.example>\r\nIn-Reply-To: {headers['Message-ID']}\r\n"
        f"Date: {datetime.now(timezone.utc):%a, %d %b %Y %H:%M:%S} +0000\r\n\r\n{words}\r\n"
    )
    box = imaplib.IMAP4_SSL("localhost", port, ssl_context=ssl.create_default_context(cafile=HOME / "ca.pem"))
    box.login("warden", "pass word")
    box.append("INBOX", None, None, answered.encode())
    box.logout()


# --- The page, as a browser without a browser.

class Sheet:
    def __init__(self, port, path="/"):
        self.origin = f"http://127.0.0.1:{port}"
        answer = urllib.request.urlopen(self.origin + path)
        self.cookie = (answer.headers.get("set-cookie") or "").split(";")[0]
        self.text = answer.read().decode()

    def forms(self):
        for form in re.findall(r"<form.*?</form>", self.text, re.S):
            fields = []
            for tag in re.findall(r"<input[^>]*>", form):
                of = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
                if of.get("name") and (of.get("type") != "checkbox" or " checked" in tag):
                    fields.append((of["name"], html.unescape(of.get("value", ""))))
            yield form, fields

    def tap(self, words):
        for form, fields in self.forms():
            if words in form:
                action = re.search(r'action="([^"]*)"', form).group(1)
                body = urllib.parse.urlencode(fields).encode()
                asked = urllib.request.Request(self.origin + action, body, {"Origin": self.origin, "Cookie": self.cookie})
                urllib.request.urlopen(asked).read()
                return
        sys.exit(f"nothing to tap: {words}")


def evening():
    inside, outside = broker()
    sensors = Sensors(outside)
    sensors.start()
    smtp, imap, page = mail(), mailbox(), free_port()
    (HOME / "mqtt.password").write_text(PASSWORD + "\n")
    os.chmod(HOME / "mqtt.password", 0o600)
    commands, edits = 0, 0

    print("To the first letter")
    begun = time.monotonic()
    commands += 1
    said = run(PROGRAM, "listen", "--url", f"mqtt://127.0.0.1:{inside}", "--user", "traywarden", "--password-file",
               HOME / "mqtt.password", "--to", HOME / "traywarden.toml", cwd=HOME)
    figure("listen, s", f"{time.monotonic() - begun:.1f}")
    settings = (HOME / "traywarden.toml").read_text()
    proposed = settings
    figure("lines marked \"look\"", settings.count("look:"))
    # What a person writes: where letters go, and the tank, whose signs are taken away.
    tank = re.search(r"#\[\[reservoir\]\](\n#.*)+", settings)
    if tank:
        settings = settings.replace(tank[0], tank[0].replace("\n#", "\n")[1:])
        edits += tank[0].count("\n") + 1
    table = (
        f'[mail]\nfrom = "warden@saltmarsh.example"\nto = ["grower@saltmarsh.example"]\n'
        f'smtp = "smtps://grower@localhost:{smtp}"\npassword_file = "password"\nca_file = "ca.pem"\n'
        f'[mail.answers]\nimap = "imaps://warden@localhost:{imap}"\npassword_file = "password"\nca_file = "ca.pem"\n'
        f'[store]\npath = "traywarden.db"\n[page]\nlisten = "127.0.0.1:{page}"\n'
    )
    edits += table.count("\n")
    (HOME / "traywarden.toml").write_text(settings + table)
    if "--stop" in sys.argv:
        print(said.stdout, said.stderr, proposed, verb("check").stdout, sep="\n----\n")
        return
    at = time.monotonic()
    checked = verb("check")
    commands += 1
    figure("check, s", f"{time.monotonic() - at:.1f}")
    print(checked.stdout, checked.stderr)
    at = time.monotonic()
    begin(PROGRAM, "--config", HOME / "traywarden.toml", "run", cwd=HOME, stderr=open(HOME / "log", "w"))
    commands += 1
    wait_for("the page", lambda: reached(page))
    figure("run until the page is there, s", f"{time.monotonic() - at:.2f}")
    at = time.monotonic()
    print(verb("check", "--letter").stdout)
    commands += 1
    wait_for("the test letter", letters)
    figure("check --letter until the server has it, s", f"{time.monotonic() - at:.1f}")
    figure("from listen to the first letter, machine time, min", f"{(time.monotonic() - begun) / 60:.1f}")
    figure("commands typed, lines edited", f"{commands}, {edits}")

    print("A round of six racks")
    now = datetime.now(timezone.utc)
    for rack in RACKS:
        for nth, (days, stage) in enumerate([(9, "uncover"), (6, "uncover"), (2, None), (5, None)]):
            name = f"{rack[-1].upper()}{nth + 1}"
            sown = {"did": "sow", "tray": name, "place": rack, "crop": "broccoli", "count": 4}
            for entry, back in [(sown, days), ({"did": stage, "tray": name}, days - 4)]:
                if entry["did"]:
                    entry["at"] = f"{now - timedelta(days=back):%Y-%m-%dT%H:%M:%SZ}"
                    told = verb("log", "--json", json.dumps(entry))
                    if told.returncode:
                        sys.exit(told.stdout + told.stderr)
    sheet = Sheet(page)
    lines = len(re.findall(r'<button class="tick"', sheet.text))
    figure("lines to tick (four lots a rack), bytes of the sheet", f"{lines}, {len(sheet.text)}")
    taps, at = 0, time.monotonic()
    while "All of it, as usual" in sheet.text:
        sheet.tap("All of it, as usual")
        taps, sheet = taps + 1, Sheet(page)
    figure("taps for all that is as usual", taps)
    figure("a tap until its sheet is back, s", f"{(time.monotonic() - at) / max(taps, 1):.2f}")
    left = [html.unescape(words) for words in re.findall(r'aria-label="(Tick: [^"]*)"', sheet.text)]
    figure("left to tick, each weighed or poured by itself", len(left))
    print("   ", "; ".join(left))

    print("A reply until it is seen")
    before, at = len(letters()), time.monotonic()
    sensors.distance = 385
    letter = wait_for("the letter of the tank", lambda: [one for one in letters()[before:]
                      if one["headers"]["Subject"].startswith("Now: ")], 900)[0]
    figure("from the empty tank to the letter, s", f"{time.monotonic() - at:.0f}")
    figure("its subject", letter["headers"]["Subject"])
    at = time.monotonic()
    reply(imap, letter, "seen")
    wait_for("the answer", lambda: any(one["subject"] == "tank" and one["state"] == "acknowledged"
                                       for one in json.loads(verb("alarms", "--json").stdout or "[]")))
    figure("from the reply in the mailbox to seen, s", f"{time.monotonic() - at:.2f}")


try:
    evening()
finally:
    for process in reversed(ENDS):
        process.terminate()
    for process in ENDS:
        process.wait()
    if "--keep" not in sys.argv:
        shutil.rmtree(HOME, ignore_errors=True)
    else:
        print(HOME)
