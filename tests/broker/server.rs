//! A mosquitto of one test, with its folder, and certificates made by the
//! `openssl` command. Stopped by its own process handle when dropped.

use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// The folder of one test.
pub struct Folder(tempfile::TempDir);

impl Folder {
    pub fn file(&self, name: &str) -> String {
        self.0.path().join(name).display().to_string()
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, text).expect("the test's folder can be written");
        path
    }
}

/// A running broker.
pub struct Server {
    pub port: u16,
    folder: Folder,
    process: Child,
}

impl Server {
    /// Starts one; `settings` writes what it needs into the folder and gives the
    /// lines of the configuration after the listener.
    pub fn start(settings: impl FnOnce(&Folder) -> String) -> Self {
        let folder = Folder(tempfile::tempdir().expect("a temporary folder"));
        let port = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a free port").port();
        let settings = settings(&folder);
        // Started by root it would become a user that cannot read the folder.
        folder.write("mosquitto.conf", &format!("user root\nlistener {port} 127.0.0.1\n{settings}"));
        let process = launch(&folder, port);
        Server { port, folder, process }
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        self.folder.write(name, text)
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.file(name).into()
    }

    pub fn kill(&mut self) {
        self.process.kill().expect("it runs");
        self.process.wait().expect("it ends");
    }

    pub fn start_again(&mut self) {
        self.process = launch(&self.folder, self.port);
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself in a failing test.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn launch(folder: &Folder, port: u16) -> Child {
    let mut process = ["mosquitto", "/usr/sbin/mosquitto"]
        .into_iter()
        .find_map(|name| {
            Command::new(name)
                .args(["-c", &folder.file("mosquitto.conf")])
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .ok()
        })
        .expect("these tests need the broker mosquitto; install it with: apt install mosquitto");
    for _ in 0..500 {
        if TcpStream::connect(("127.0.0.1", port)).is_ok() {
            return process;
        }
        if let Some(status) = process.try_wait().expect("a child can be asked") {
            panic!("mosquitto ended at once ({status}); run it by hand on the test's mosquitto.conf");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    panic!("mosquitto does not listen on port {port} after 10 s");
}

pub fn run(program: &str, arguments: &[&str]) {
    let output = Command::new(program)
        .args(arguments)
        .output()
        .unwrap_or_else(|error| panic!("these tests need the command {program} (apt install {program}): {error}"));
    assert!(output.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// Where the Debian package puts the plugin; the folder is named after the machine.
pub fn dynamic_security_plugin() -> String {
    std::fs::read_dir("/usr/lib")
        .expect("/usr/lib can be read")
        .flatten()
        .map(|entry| entry.path().join("mosquitto_dynamic_security.so"))
        .find(|path| path.exists())
        .expect("these tests need mosquitto's dynamic security plugin; install it with: apt install mosquitto")
        .display()
        .to_string()
}

/// A private authority, a server for 127.0.0.1 and a client.
pub struct Certificates;

impl Certificates {
    pub fn make(folder: &Folder) {
        let (ca, ca_key) = (folder.file("ca.pem"), folder.file("ca.key"));
        let curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
        let mut authority = vec!["req", "-x509", "-days", "2", "-subj", "/CN=Test authority", "-keyout", &ca_key];
        authority.extend(curve.into_iter().chain(["-out", &ca]));
        run("openssl", &authority);
        for name in ["server", "client"] {
            let file = |ending: &str| folder.file(&format!("{name}.{ending}"));
            let (key, request, certificate, extension) = (file("key"), file("csr"), file("pem"), file("ext"));
            folder.write(&format!("{name}.ext"), "subjectAltName=DNS:localhost,IP:127.0.0.1\n");
            let subject = format!("/CN={name}");
            let mut ask = vec!["req", "-subj", &subject, "-keyout", &key, "-out", &request];
            ask.extend(curve);
            run("openssl", &ask);
            let sign = ["x509", "-req", "-days", "2", "-CA", &ca, "-CAkey", &ca_key, "-CAcreateserial"];
            let files = ["-in", &request, "-out", &certificate, "-extfile", &extension];
            run("openssl", &[&sign[..], &files[..]].concat());
        }
    }
}
