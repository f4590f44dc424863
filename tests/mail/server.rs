//! A real mail server of one test: aiosmtpd under Python, with a certificate from an
//! authority of its own. Stopped by its own process handle when dropped.

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use tempfile::TempDir;
use traywarden::config;

/// A folder with certificates, and a server that ends with the test.
pub struct MailServer {
    pub folder: TempDir,
    pub port: u16,
    mode: &'static str,
    running: Option<Child>,
}

impl MailServer {
    pub fn prepared(mode: &'static str) -> MailServer {
        let folder = TempDir::new().expect("a temporary folder");
        certificates(folder.path());
        std::fs::write(folder.path().join("password"), "pass word\n").unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        MailServer { folder, port, mode, running: None }
    }

    pub fn started(mode: &'static str) -> MailServer {
        let mut server = MailServer::prepared(mode);
        server.start();
        server
    }

    pub fn start(&mut self) {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/mail/server.py");
        let mut child = Command::new("python3")
            .arg(script)
            .args([self.folder.path().to_str().unwrap(), &self.port.to_string(), self.mode])
            .env("PYTHONWARNINGS", "ignore")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line.trim(), "ready", "the server needs the Python package aiosmtpd");
        self.running = Some(child);
    }

    pub fn stop(&mut self) {
        if let Some(mut child) = self.running.take() {
            drop(child.stdin.take());
            child.wait().unwrap();
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn settings(&self) -> config::Mail {
        config::Mail {
            from: "warden@saltmarsh.example".into(),
            to: vec!["grower@saltmarsh.example".into()],
            smtp: Some(config::Smtp {
                host: "localhost".into(),
                port: self.port,
                implicit_tls: self.mode == "implicit",
                plain: false,
                user: Some("grower".into()),
                password_file: Some(self.path("password")),
                ca_file: Some(self.path("ca.pem")),
            }),
            folder: self.path("letters"),
            answers: None,
        }
    }

    /// Everything the server took, oldest first.
    pub fn taken(&self) -> Vec<Value> {
        let mut files: Vec<PathBuf> = std::fs::read_dir(self.folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|end| end == "json"))
            .collect();
        files.sort();
        files.iter().map(|path| serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()).collect()
    }
}

impl Drop for MailServer {
    fn drop(&mut self) {
        if let Some(mut child) = self.running.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// An authority of our own and a certificate for localhost.
fn certificates(folder: &Path) {
    let openssl = |arguments: &[&str]| {
        let done = Command::new("openssl").current_dir(folder).args(arguments).output().expect("openssl starts");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    };
    let curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    let subject = |name| ["-subj", name];
    let authority = ["req", "-x509", "-days", "2", "-keyout", "ca.key", "-out", "ca.pem"];
    openssl(&[&authority[..], &curve[..], &subject("/CN=Saltmarsh test authority")[..]].concat());
    let request = ["req", "-keyout", "server.key", "-out", "server.csr"];
    openssl(&[&request[..], &curve[..], &subject("/CN=localhost")[..]].concat());
    std::fs::write(folder.join("names"), "subjectAltName=DNS:localhost,IP:127.0.0.1\nbasicConstraints=CA:FALSE\n")
        .unwrap();
    let sign = ["x509", "-req", "-days", "2", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key"];
    openssl(&[&sign[..], &["-CAcreateserial", "-extfile", "names", "-out", "server.pem"][..]].concat());
}
