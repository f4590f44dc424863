//! TLS to the broker: a private Unix socket in this process, joined to a TLS
//! stream of our own. The MQTT library's own TLS would pull in a certificate
//! checker with known advisories, and has no readable errors.

use crate::config;
use crate::trust::{self, TrustError};
use rustls::ClientConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{PrivateKeyDer, ServerName};
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::copy_bidirectional;
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

/// A broker in the same house answers in milliseconds; this is for a slow radio. Own choice.
const CONNECT_LIMIT: Duration = Duration::from_secs(5);
/// A handshake on a small board takes some 300 ms (from memory). Own choice.
const HANDSHAKE_LIMIT: Duration = Duration::from_secs(8);
/// Names tried for the private directory before giving up.
const DIRECTORY_NAMES_TRIED: u32 = 100;

/// Why TLS cannot even be tried.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A PEM file that cannot be used.
    #[error(transparent)]
    File(#[from] TrustError),
    /// A certificate without its key, or a key without its certificate.
    #[error("[broker.tls] names only one of certificate_file and key_file; a broker that asks who we are needs both")]
    HalfAnIdentity,
    /// The certificate and the key are not of one pair.
    #[error("the certificate {} and the key {} cannot be used together: {why}", certificate.display(), key.display())]
    Identity {
        /// The certificate.
        certificate: PathBuf,
        /// The key.
        key: PathBuf,
        /// Why the two do not go together, in the library's words.
        why: String,
    },
    /// A host that no certificate can name.
    #[error(
        "the broker's host \"{host}\" is neither a host name nor an address, so no certificate can be checked against it"
    )]
    HostName {
        /// The host.
        host: String,
    },
    /// No private place for the socket.
    #[error("no private directory could be made under {} for the connection to the broker: {why}. Check $RUNTIME_DIRECTORY", parent.display())]
    Directory {
        /// Where it was tried.
        parent: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
}

/// The near end of the bridge: whoever connects to [`Bridge::socket`] talks to
/// the broker through TLS. Dropped, it closes and its directory goes.
#[derive(Debug)]
pub(super) struct Bridge {
    directory: PathBuf,
    socket: PathBuf,
    last_error: Arc<Mutex<Option<String>>>,
    task: JoinHandle<()>,
}

impl Bridge {
    /// Reads the certificates and begins to listen. Must be called inside a tokio runtime.
    pub(super) fn open(broker: &config::Broker, tls: &config::Tls) -> Result<Self, TlsError> {
        let client = Arc::new(client_config(tls)?);
        let name =
            ServerName::try_from(broker.host.clone()).map_err(|_| TlsError::HostName { host: broker.host.clone() })?;
        let directory = private_directory()?;
        let socket = directory.join("broker");
        let listener = UnixListener::bind(&socket).map_err(|why| {
            // Nobody else holds it yet; if it stays behind, it is empty and private.
            let _ = std::fs::remove_dir(&directory);
            TlsError::Directory { parent: directory.clone(), why }
        })?;
        let last_error = Arc::new(Mutex::new(None));
        let far_end =
            FarEnd { address: (broker.host.clone(), broker.port), name, connector: TlsConnector::from(client) };
        let task = tokio::spawn(join(listener, far_end, Arc::clone(&last_error)));
        Ok(Bridge { directory, socket, last_error, task })
    }

    /// The socket to connect to instead of the broker.
    pub(super) fn socket(&self) -> &Path {
        &self.socket
    }

    /// Why the last connection ended, if it was the bridge's doing; said once.
    pub(super) fn take_error(&self) -> Option<String> {
        self.last_error.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        self.task.abort();
        // Best effort: what stays behind is an empty private directory in the runtime directory.
        let _ = std::fs::remove_file(&self.socket);
        let _ = std::fs::remove_dir(&self.directory);
    }
}

struct FarEnd {
    address: (String, u16),
    name: ServerName<'static>,
    connector: TlsConnector,
}

/// One connection at a time: the MQTT client never has two.
async fn join(listener: UnixListener, far_end: FarEnd, last_error: Arc<Mutex<Option<String>>>) {
    while let Ok((mut near, _)) = listener.accept().await {
        if let Err(error) = carry(&mut near, &far_end).await {
            *last_error.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
        }
        // Only now is the near end closed, so the reason is there when the client looks for it.
        drop(near);
    }
}

async fn carry(near: &mut UnixStream, far_end: &FarEnd) -> Result<(), String> {
    let (host, port) = &far_end.address;
    let tcp = match timeout(CONNECT_LIMIT, TcpStream::connect((host.as_str(), *port))).await {
        Err(_) => return Err(format!("{host} port {port} does not answer within {} s", CONNECT_LIMIT.as_secs())),
        Ok(Err(error)) => return Err(format!("no connection to {host} port {port}: {error}")),
        Ok(Ok(tcp)) => tcp,
    };
    // Without it small acknowledgements wait for each other; nothing breaks if it cannot be set.
    let _ = tcp.set_nodelay(true);
    let mut far = match timeout(HANDSHAKE_LIMIT, far_end.connector.connect(far_end.name.clone(), tcp)).await {
        Err(_) => {
            return Err(format!(
                "{host} port {port} does not speak TLS within {} s; is it the port for plain MQTT?",
                HANDSHAKE_LIMIT.as_secs()
            ));
        }
        Ok(Err(error)) => return Err(format!("TLS with {host} port {port} failed: {}", explained(&error))),
        Ok(Ok(far)) => far,
    };
    match copy_bidirectional(near, &mut far).await {
        Ok(_) => Ok(()),
        Err(error) => Err(format!("the TLS connection to {host} port {port} broke: {}", explained(&error))),
    }
}

/// The error with what to do about it, where that is known.
fn explained(error: &std::io::Error) -> String {
    use rustls::{AlertDescription, Error};
    match error.get_ref().and_then(|inner| inner.downcast_ref::<Error>()) {
        Some(Error::AlertReceived(AlertDescription::CertificateRequired | AlertDescription::HandshakeFailure)) => {
            format!("it asks for a certificate of ours; name certificate_file and key_file in [broker.tls] ({error})")
        }
        Some(Error::InvalidMessage(_)) => format!("it does not speak TLS; is it the port for plain MQTT? ({error})"),
        _ => trust::explained(error, "ca_file in [broker.tls]"),
    }
}

fn client_config(tls: &config::Tls) -> Result<ClientConfig, TlsError> {
    let builder = trust::believing(tls.ca_file.as_deref())?;
    match (&tls.certificate_file, &tls.key_file) {
        (None, None) => Ok(builder.with_no_client_auth()),
        (Some(certificate), Some(key)) => {
            let chain = trust::certificates("our certificate", certificate)?;
            let secret = PrivateKeyDer::from_pem_file(key).map_err(|error| trust::unusable("our key", key, error))?;
            builder.with_client_auth_cert(chain, secret).map_err(|error| TlsError::Identity {
                certificate: certificate.clone(),
                key: key.clone(),
                why: error.to_string(),
            })
        }
        _ => Err(TlsError::HalfAnIdentity),
    }
}

/// A new directory that only this user can enter.
fn private_directory() -> Result<PathBuf, TlsError> {
    // systemd may name several, with colons between; the first is as good as any.
    let parent = std::env::var_os("RUNTIME_DIRECTORY")
        .and_then(|list| list.to_str().and_then(|list| list.split(':').next()).map(PathBuf::from))
        .filter(|path| !path.as_os_str().is_empty())
        .unwrap_or_else(std::env::temp_dir);
    let mut refused = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
    for attempt in 0..DIRECTORY_NAMES_TRIED {
        let directory = parent.join(format!("traywarden-{}-{attempt}", std::process::id()));
        match std::fs::DirBuilder::new().mode(0o700).create(&directory) {
            Ok(()) => return Ok(directory),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => refused = error,
            Err(why) => return Err(TlsError::Directory { parent, why }),
        }
    }
    Err(TlsError::Directory { parent, why: refused })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn the_private_directory_can_be_entered_by_nobody_else() {
        let directory = private_directory().expect("a directory");
        let mode = std::fs::metadata(&directory).expect("it is there").permissions().mode();
        std::fs::remove_dir(&directory).expect("it is empty");
        assert_eq!(mode & 0o777, 0o700);
    }

    #[test]
    fn a_missing_or_empty_certificate_file_is_named_with_what_is_wanted() {
        let empty = tempfile::NamedTempFile::new().expect("a file");
        for path in [Path::new("/nowhere/ca.pem"), empty.path()] {
            let tls = config::Tls { ca_file: Some(path.to_owned()), ..config::Tls::default() };
            let error = client_config(&tls).expect_err("no certificate").to_string();
            assert!(error.contains(&path.display().to_string()) && error.contains("PEM"), "{error}");
        }
    }

    #[test]
    fn a_certificate_without_its_key_is_refused() {
        let tls = config::Tls { certificate_file: Some("/nowhere/client.pem".into()), ..config::Tls::default() };
        assert!(matches!(client_config(&tls), Err(TlsError::HalfAnIdentity)));
    }
}
