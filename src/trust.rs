//! Whose certificates are believed: the public authorities that are built in, or one of
//! the grower's own. Here because broker, mailbox and beat all ask it; what is said over
//! a connection is left to them.

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::time_provider::TimeProvider;
use rustls::{ClientConfig, ConfigBuilder, RootCertStore, WantsVerifier, client::WantsClientCert};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::{TlsConnector, client::TlsStream};

/// For a slow radio; a server in the same country answers in a tenth of it. Own choice.
const CONNECT_LIMIT: Duration = Duration::from_secs(15);
/// A handshake on a small board takes some 300 ms (from memory). Own choice.
const HANDSHAKE_LIMIT: Duration = Duration::from_secs(15);

/// A PEM file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{what} {} cannot be used: {why}. Wanted: a PEM file that this user may read", path.display())]
pub struct TrustError {
    /// What the file is for.
    pub what: &'static str,
    /// The file that cannot be used.
    pub path: PathBuf,
    /// What is wrong with it.
    pub why: String,
}

/// The beginning of a TLS client that believes the authorities in `ca_file` (PEM), or
/// without it the public ones.
///
/// # Errors
/// When the file cannot be used.
pub(crate) fn believing(ca_file: Option<&Path>) -> Result<ConfigBuilder<ClientConfig, WantsClientCert>, TrustError> {
    let mut roots = RootCertStore::empty();
    match ca_file {
        None => roots.extend(webpki_roots::TLS_SERVER_ROOTS.iter().cloned()),
        Some(path) => {
            for certificate in certificates("the authority's certificate", path)? {
                roots.add(certificate).map_err(|error| unusable("the authority's certificate", path, error))?;
            }
        }
    }
    Ok(builder().with_root_certificates(roots))
}

fn builder() -> ConfigBuilder<ClientConfig, WantsVerifier> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    ClientConfig::builder_with_details(provider, Arc::new(OurClock))
        .with_safe_default_protocol_versions()
        .expect("ring supports the default versions of TLS")
}

/// rustls's own panics before 1970; a board without a battery can wake up there.
#[derive(Debug)]
struct OurClock;

impl TimeProvider for OurClock {
    fn current_time(&self) -> Option<UnixTime> {
        crate::clock::since_1970().map(UnixTime::since_unix_epoch)
    }
}

/// The certificates in a PEM file, at least one.
///
/// # Errors
/// When it cannot be read or holds none. `what` names it to the grower.
pub fn certificates(what: &'static str, path: &Path) -> Result<Vec<CertificateDer<'static>>, TrustError> {
    let found: Vec<_> =
        CertificateDer::pem_file_iter(path).and_then(Iterator::collect).map_err(|error| unusable(what, path, error))?;
    if found.is_empty() { Err(unusable(what, path, "there is no certificate in it")) } else { Ok(found) }
}

/// The error of a PEM file.
pub(crate) fn unusable(what: &'static str, path: &Path, why: impl ToString) -> TrustError {
    TrustError { what, path: path.to_owned(), why: why.to_string() }
}

/// A TLS connection to a server that anybody might run, opened within half a minute.
///
/// # Errors
/// A sentence that names the server and, where it is known, the remedy. `ca_key` is the
/// key of the settings under which an authority of one's own is named.
pub async fn connect(
    host: &str,
    port: u16,
    ca_file: Option<&Path>,
    ca_key: &str,
) -> Result<TlsStream<TcpStream>, String> {
    let client = believing(ca_file).map_err(|error| error.to_string())?.with_no_client_auth();
    let name = ServerName::try_from(host.to_owned())
        .map_err(|_| format!("\"{host}\" is a host that no certificate can name"))?;
    let tcp = connect_plainly(host, port).await?;
    match timeout(HANDSHAKE_LIMIT, TlsConnector::from(Arc::new(client)).connect(name, tcp)).await {
        Err(_) => Err(format!("{host} port {port} does not speak TLS within {} s", HANDSHAKE_LIMIT.as_secs())),
        Ok(Err(error)) => Err(format!("TLS with {host} port {port} failed: {}", explained(&error, ca_key))),
        Ok(Ok(stream)) => Ok(stream),
    }
}

/// The same without TLS; for a server on this machine.
///
/// # Errors
/// A sentence that names the server.
pub(crate) async fn connect_plainly(host: &str, port: u16) -> Result<TcpStream, String> {
    match timeout(CONNECT_LIMIT, TcpStream::connect((host, port))).await {
        Err(_) => Err(format!("{host} port {port} does not answer within {} s", CONNECT_LIMIT.as_secs())),
        Ok(Err(error)) => Err(format!("no connection to {host} port {port}: {error}")),
        Ok(Ok(tcp)) => Ok(tcp),
    }
}

/// The error with what to do about it, where that is known.
pub(crate) fn explained(error: &std::io::Error, ca_key: &str) -> String {
    use rustls::{CertificateError, Error};
    let inner = error.get_ref().and_then(|inner| inner.downcast_ref::<Error>());
    let remedy = match inner {
        Some(Error::InvalidCertificate(CertificateError::UnknownIssuer)) => {
            format!("its certificate is not signed by an authority we trust; name the authority's file as {ca_key}")
        }
        Some(Error::InvalidCertificate(
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
        )) => "its certificate is for another host name; use the name in the certificate as its host".to_owned(),
        Some(Error::InvalidCertificate(CertificateError::Expired | CertificateError::ExpiredContext { .. })) => {
            "its certificate has expired, or this machine's clock is wrong".to_owned()
        }
        Some(Error::InvalidCertificate(
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. },
        )) => "its certificate is not valid yet; is this machine's clock set?".to_owned(),
        Some(Error::InvalidMessage(_)) => "it does not speak TLS; is it another port?".to_owned(),
        // A server that speaks plain text hangs up on a handshake without a word.
        None if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            "it ends the connection instead of speaking TLS; is it the port for plain connections?".into()
        }
        _ => return error.to_string(),
    };
    format!("{remedy} ({error})")
}
