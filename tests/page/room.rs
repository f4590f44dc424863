//! One room of one test: its folder, the real binary that serves it, and what a browser
//! without a browser can do: ask, and send a form it was shown.

use rusqlite::Connection;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// As a proxy says it of a phone: whoever carries it is not on this machine.
pub const FROM_AFAR: (&str, &str) = ("X-Forwarded-For", "192.168.1.50");
/// Every wait ends as soon as what it waits for is there.
const PATIENCE: Duration = Duration::from_secs(180);

/// A room, its daemon and its page.
pub struct Room {
    pub folder: TempDir,
    pub port: u16,
    daemon: Child,
}

/// What came back.
pub struct Response {
    /// 0: the connection was closed without an answer.
    pub status: u16,
    head: String,
    pub body: String,
}

/// A form as it stands on a sheet.
#[derive(Clone, Debug)]
pub struct Form {
    pub action: String,
    pub fields: Vec<(String, String)>,
    pub cookie: String,
}

/// What a sensor says.
pub fn publish(broker: u16, topic: &str, payload: &str) {
    let sent = Command::new("mosquitto_pub")
        .args(["-p", &broker.to_string(), "-t", topic, "-m", payload])
        .status()
        .expect("mosquitto_pub runs (apt install mosquitto-clients)");
    assert!(sent.success());
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// So many days before now, in RFC 3339.
pub fn days_ago(days: i64) -> String {
    let output = Command::new("date").args(["-u", "-d", &format!("-{days} days"), "+%FT%TZ"]).output().unwrap();
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

impl Room {
    /// A room whose settings say `more` of the site, with its page open and no broker.
    pub fn started(more: &str) -> Room {
        Room::on_broker(more, 1)
    }

    /// A room without a broker whose settings say `more` of the page.
    pub fn with_page(more: &str) -> Room {
        Room::built("", more, 1)
    }

    /// A room on a broker in whose settings these tables stand too.
    pub fn with_tables(tables: &str, broker: u16) -> Room {
        Room::built("", tables, broker)
    }

    /// The same on a broker.
    pub fn on_broker(more: &str, broker: u16) -> Room {
        Room::built(more, "", broker)
    }

    fn built(more: &str, of_page: &str, broker: u16) -> Room {
        let folder = TempDir::new().unwrap();
        let port = free_port();
        let text = format!(
            r#"[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
{more}[broker]
url = "mqtt://127.0.0.1:{broker}"
[store]
path = "room.db"
[page]
listen = "127.0.0.1:{port}"
names = ["watch.lan"]
{of_page}[alarm.reservoir-empty]
on_delay = "0 s"
[[place]]
id = "rack-a"
name = "Rack A"
[[place]]
id = "rack-b"
name = "Rack B"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "30 s"
temperature = {{ pointer = "/t", unit = "Cel" }}
humidity = {{ pointer = "/h", unit = "%RH" }}
[[reservoir]]
id = "tank"
name = "Tank"
feeds = ["rack-b"]
topic = "loft/tank/distance"
every = "60 s"
reads = {{ what = "distance", unit = "mm", sensor_height = "400 mm" }}
shape = {{ kind = "box", length = "600 mm", width = "400 mm", height = "350 mm" }}
"#
        );
        std::fs::write(folder.path().join("room.toml"), text).unwrap();
        let log = std::fs::File::create(folder.path().join("log")).unwrap();
        let daemon = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(folder.path().join("room.toml"))
            .arg("run")
            .stdin(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the binary runs");
        let room = Room { folder, port, daemon };
        room.until("the page to be served", || TcpStream::connect(("127.0.0.1", port)).ok());
        room
    }

    pub fn until<T>(&self, what: &str, mut look: impl FnMut() -> Option<T>) -> T {
        for _ in 0..(PATIENCE.as_millis() / 50) {
            if let Some(found) = look() {
                return found;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("waited {PATIENCE:?} in vain for {what}");
    }

    /// The gauge says so three times.
    pub fn hears_that_the_tank_is_empty(&self, broker: u16) {
        for _ in 0..3 {
            publish(broker, "loft/tank/distance", "385");
        }
    }

    /// A tray in light that wants water and can be cut, and one under cover that wants a look.
    pub fn sown(&self) {
        let (long_ago, later, lately) = (days_ago(9), days_ago(4), days_ago(2));
        self.logged(&format!(r#"{{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","at":"{long_ago}"}}"#));
        self.logged(&format!(r#"{{"did":"uncover","tray":"K1","at":"{later}"}}"#));
        self.logged(&format!(r#"{{"did":"sow","tray":"S1","place":"rack-a","crop":"broccoli","at":"{lately}"}}"#));
    }

    /// Writes an entry by the verb and waits until it is taken.
    pub fn logged(&self, entry: &str) {
        let said = self.verb(&["log", "--json", entry]);
        assert!(said.starts_with("Taken"), "{said}");
    }

    pub fn verb(&self, arguments: &[&str]) -> String {
        let output = Command::new(env!("CARGO_BIN_EXE_traywarden"))
            .arg("--config")
            .arg(self.folder.path().join("room.toml"))
            .args(arguments)
            .stdin(Stdio::null())
            .output()
            .expect("the binary runs");
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
    }

    /// The code of a new link, as `pair` prints it.
    pub fn offered(&self) -> String {
        let said = self.verb(&["pair"]);
        let at = said.find("/pair?code=").unwrap_or_else(|| panic!("no link in: {said}"));
        assert!(said.contains(&format!("http://watch.lan:{}/pair", self.port)), "{said}");
        said[at + 11..].split_whitespace().next().unwrap().to_owned()
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("room.db")
    }

    pub fn sql(&self, text: &str) {
        Connection::open(self.store()).unwrap().execute_batch(text).unwrap();
    }

    /// How many answers with this grade were taken.
    pub fn graded(&self, grade: &str) -> i64 {
        let count = "SELECT count(*) FROM event WHERE kind = 'command' AND json_extract(body, '$.grade') = ?1";
        Connection::open(self.store()).unwrap().query_row(count, [grade], |row| row.get(0)).unwrap()
    }

    /// How many entries of a kind stand in the journal, struck or not.
    pub fn entries(&self, did: &str) -> i64 {
        Connection::open(self.store())
            .unwrap()
            .query_row(
                "SELECT count(*) FROM journal WHERE refused IS NULL AND json_extract(body, '$.did') = ?1",
                [did],
                |row| row.get(0),
            )
            .unwrap()
    }

    pub fn newest(&self, did: &str) -> serde_json::Value {
        let body: String = Connection::open(self.store())
            .unwrap()
            .query_row(
                "SELECT body FROM journal WHERE json_extract(body, '$.did') = ?1 ORDER BY number DESC LIMIT 1",
                [did],
                |row| row.get(0),
            )
            .unwrap();
        serde_json::from_str(&body).unwrap()
    }

    pub fn bytes_of_store_hold(&self, text: &str) -> bool {
        ["room.db", "room.db-wal"].iter().any(|file| {
            let bytes = std::fs::read(self.folder.path().join(file)).unwrap_or_default();
            bytes.windows(text.len()).any(|part| part == text.as_bytes())
        })
    }

    pub fn origin(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).expect("the page listens");
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    }

    pub fn get(&self, path: &str) -> Response {
        self.ask("GET", path, &[], None)
    }

    /// Sends a form as a browser does.
    pub fn post(&self, form: &Form) -> Response {
        let headers = [("Origin", self.origin()), ("Cookie", form.cookie.clone())];
        let headers: Vec<(&str, &str)> = headers.iter().map(|(name, value)| (*name, value.as_str())).collect();
        self.ask("POST", &form.action, &headers, Some(&form.body()))
    }

    /// One request on a connection of its own.
    pub fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: Option<&str>) -> Response {
        let mut text = format!("{method} {path} HTTP/1.1\r\nConnection: close\r\n");
        if !headers.iter().any(|(name, _)| *name == "Host") {
            text.push_str(&format!("Host: 127.0.0.1:{}\r\n", self.port));
        }
        for (name, value) in headers {
            text.push_str(&format!("{name}: {value}\r\n"));
        }
        if let Some(body) = body {
            text.push_str(&format!(
                "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n",
                body.len()
            ));
        }
        text.push_str("\r\n");
        text.push_str(body.unwrap_or_default());
        let mut stream = self.connect();
        // The other side may hang up while it is still told.
        let _ = stream.write_all(text.as_bytes());
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        Response { status, head: head.to_owned(), body: body.to_owned() }
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        let _ = self.daemon.kill();
        let _ = self.daemon.wait();
        if std::thread::panicking() {
            eprintln!("the daemon's log:\n{}", self.log());
        }
    }
}

impl Response {
    pub fn header(&self, name: &str) -> Option<&str> {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.find(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, value)| value)
    }

    /// The form in which these words stand, in a label or on a button.
    pub fn form(&self, words: &str) -> Form {
        let escaped = words.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
        let at = self.body.find(&escaped).unwrap_or_else(|| panic!("\"{words}\" is not on the sheet: {}", self.body));
        let start = self.body[..at].rfind("<form").expect("it stands in a form");
        let end = at + self.body[at..].find("</form>").expect("the form ends");
        let text = &self.body[start..end];
        let mut fields = Vec::new();
        for tag in text.split("<input").skip(1) {
            let tag = &tag[..tag.find('>').unwrap()];
            let kind = attribute(tag, "type");
            let sent = kind.as_deref() != Some("checkbox") || tag.contains(" checked");
            if let Some(name) = attribute(tag, "name").filter(|_| sent) {
                fields.push((name, attribute(tag, "value").unwrap_or_default()));
            }
        }
        for select in text.split("<select").skip(1) {
            let name = attribute(&select[..select.find('>').unwrap()], "name").unwrap();
            let first = select.split("<option").nth(1).and_then(|option| attribute(option, "value"));
            fields.push((name, first.unwrap_or_default()));
        }
        let cookie = self.header("set-cookie").and_then(|cookie| cookie.split(';').next()).unwrap_or_default();
        Form { action: attribute(text, "action").expect("it has an action"), fields, cookie: cookie.to_owned() }
    }
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let at = tag.find(&format!(" {name}=\""))? + name.len() + 3;
    let value = &tag[at..at + tag[at..].find('"')?];
    Some(
        value
            .replace("&lt;", "<")
            .replace("&gt;", ">")
            .replace("&quot;", "\"")
            .replace("&#39;", "'")
            .replace("&amp;", "&"),
    )
}

impl Form {
    pub fn set(&mut self, name: &str, value: &str) {
        match self.fields.iter_mut().find(|(known, _)| known == name) {
            Some(field) => field.1 = value.to_owned(),
            None => self.fields.push((name.to_owned(), value.to_owned())),
        }
    }

    pub fn set_all(&mut self, name: &str, values: &[&str]) {
        self.fields.retain(|(known, _)| known != name);
        self.fields.extend(values.iter().map(|value| (name.to_owned(), (*value).to_owned())));
    }

    pub fn without_cookie(mut self) -> Form {
        self.cookie.clear();
        self
    }

    pub fn with_cookie(mut self, cookie: &str) -> Form {
        self.cookie = cookie.to_owned();
        self
    }

    pub fn body(&self) -> String {
        let mut body = form_urlencoded::Serializer::new(String::new());
        body.extend_pairs(&self.fields);
        body.finish()
    }
}

/// What comes until these words, which must come anew.
pub fn read_until(stream: &mut TcpStream, words: &str) -> String {
    let mut text = String::new();
    let mut byte = [0];
    while !text.contains(words) {
        stream.read_exact(&mut byte).unwrap_or_else(|error| panic!("{error} after: {text}"));
        text.push(char::from(byte[0]));
    }
    text
}
