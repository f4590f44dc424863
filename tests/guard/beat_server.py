"""A web server for tests/guard: notes every request's first line, Host and
User-Agent as one JSON line and answers by the path: /elsewhere with a
redirection, /gone with 404, /silent never, else with 200.

Arguments: folder (requests go to folder/beats), port, "tls" or "plain"; with
tls the folder holds server.pem and server.key.
"""
import http.server
import json
import ssl
import sys
import time

FOLDER, PORT, MODE = sys.argv[1], int(sys.argv[2]), sys.argv[3]


class Answer(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        with open(f"{FOLDER}/beats", "a") as beats:
            asked = {"path": self.path, "host": self.headers["Host"], "agent": self.headers["User-Agent"]}
            beats.write(json.dumps(asked) + "\n")
        if self.path.startswith("/silent"):
            time.sleep(600)
        status = {"/elsewhere": 302, "/gone": 404}.get(self.path, 200)
        self.send_response(status)
        if status == 302:
            self.send_header("Location", "/")
        self.end_headers()

    def log_message(self, *_):
        pass


server = http.server.ThreadingHTTPServer(("127.0.0.1", PORT), Answer)
server.daemon_threads = True
if MODE == "tls":
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(f"{FOLDER}/server.pem", f"{FOLDER}/server.key")
    server.socket = context.wrap_socket(server.socket, server_side=True)
print("ready", flush=True)
server.serve_forever()
