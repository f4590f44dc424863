//! A real IMAP server of one test: Dovecot, without privileges, on a free loopback port, in
//! a temporary folder. Stopped by its own process handle when dropped.

use crate::mail_server::MailServer;
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// One mailbox, `warden`, with its server.
pub struct Dovecot {
    pub port: u16,
    folder: TempDir,
    process: Option<Child>,
}

impl Dovecot {
    /// Starts with the certificates of `certificates`, whose authority the settings name.
    pub fn started(certificates: &MailServer) -> Dovecot {
        let folder = TempDir::new().expect("a temporary folder");
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        for name in ["server.pem", "server.key", "ca.pem"] {
            std::fs::copy(certificates.path(name), folder.path().join(name)).unwrap();
        }
        for name in ["home", "run"] {
            std::fs::create_dir(folder.path().join(name)).unwrap();
        }
        std::fs::write(folder.path().join("password"), "pass word\n").unwrap();
        std::fs::write(folder.path().join("users"), "warden:{PLAIN}pass word\n").unwrap();
        let (user, group) = if is_root() { ("nobody".into(), "nogroup".into()) } else { (id("-un"), id("-gn")) };
        std::fs::write(folder.path().join("dovecot.conf"), settings(folder.path(), port, &user, &group)).unwrap();
        if is_root() {
            let owned = Command::new("chown").args(["-R", "nobody:nogroup"]).arg(folder.path()).status().unwrap();
            assert!(owned.success());
        }
        let mut server = Dovecot { port, folder, process: None };
        server.start();
        server
    }

    pub fn start(&mut self) {
        let mut command = match is_root() {
            true => {
                let mut command = Command::new("setpriv");
                command.args(["--reuid=nobody", "--regid=nogroup", "--clear-groups", "dovecot"]);
                command
            }
            false => Command::new("dovecot"),
        };
        let process = command
            .arg("-F")
            .arg("-c")
            .arg(self.path("dovecot.conf"))
            .stdin(Stdio::null())
            .spawn()
            .expect("these tests need dovecot (apt install dovecot-imapd) and setpriv");
        self.process = Some(process);
        for _ in 0..600 {
            if TcpStream::connect(("127.0.0.1", self.port)).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("dovecot does not listen (apt install dovecot-imapd): {}", self.log());
    }

    /// Ends it with all its connections.
    pub fn stop(&mut self) {
        if let Some(mut process) = self.process.take() {
            // Its own way to end takes the connections along.
            let ended = Command::new("kill").arg(process.id().to_string()).status().unwrap();
            assert!(ended.success());
            process.wait().unwrap();
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The table of the settings.
    pub fn settings(&self) -> String {
        format!(
            "[mail.answers]\nimap = \"imaps://warden@localhost:{}\"\npassword_file = \"{}\"\nca_file = \"{}\"\n",
            self.port,
            self.path("password").display(),
            self.path("ca.pem").display()
        )
    }

    /// Delivers a mail.
    pub fn append(&self, mail: &str) {
        self.seen_by_others("append", &mail.replace('\n', "\r\n"));
    }

    /// What another mail program sees: see mailbox.py.
    pub fn seen_by_others(&self, what: &str, input: &str) -> String {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/answers/mailbox.py");
        let mut other = Command::new("python3")
            .arg(script)
            .arg(self.port.to_string())
            .arg(self.path("ca.pem"))
            .arg(what)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts");
        other.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
        let done = other.wait_with_output().unwrap();
        assert!(done.status.success(), "{what}: {}", self.log());
        String::from_utf8(done.stdout).unwrap()
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }
}

impl Drop for Dovecot {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("dovecot's log:\n{}", self.log());
        }
        self.stop();
    }
}

fn is_root() -> bool {
    id("-u") == "0"
}

fn id(what: &str) -> String {
    let said = Command::new("id").arg(what).output().expect("id runs").stdout;
    String::from_utf8(said).unwrap().trim().to_owned()
}

fn settings(folder: &Path, port: u16, user: &str, group: &str) -> String {
    let folder = folder.display();
    format!(
        r#"base_dir = {folder}/run
state_dir = {folder}/run
log_path = {folder}/log
protocols = imap
listen = 127.0.0.1
default_internal_user = {user}
default_internal_group = {group}
default_login_user = {user}
first_valid_uid = 1
ssl = required
ssl_cert = <{folder}/server.pem
ssl_key = <{folder}/server.key
mail_location = maildir:{folder}/mail
passdb {{
  driver = passwd-file
  args = {folder}/users
}}
userdb {{
  driver = static
  args = uid={user} gid={group} home={folder}/home
}}
service anvil {{
  chroot =
}}
service stats {{
  chroot =
}}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = 0
  }}
  inet_listener imaps {{
    port = {port}
    ssl = yes
  }}
}}
"#
    )
}
