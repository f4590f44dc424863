//! The beat: an address on the internet is asked for every five minutes while the watch
//! is well, so that whoever notices missing beats can tell that it is not. One GET; what
//! it answers is not read. When to beat is the daemon's business.

use crate::config;
use crate::trust;
use hyper::client::conn::http1;
use hyper::header::{CONNECTION, HOST, USER_AGENT};
use hyper::{Request, StatusCode};
use hyper_util::rt::TokioIo;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};

/// How often. Services that notice missing beats take minutes; own choice.
pub(crate) const EVERY: Duration = Duration::from_secs(300);
/// From connecting to the answer's first line.
const LIMIT: Duration = Duration::from_secs(40);

/// Asks once.
///
/// # Errors
/// A sentence that names the server. The path stays out of it: it is often a secret.
pub async fn once(beat: &config::Beat) -> Result<(), String> {
    let config::Beat { host, port, .. } = beat;
    let asked = async {
        if beat.tls {
            let stream = trust::connect(host, *port, beat.ca_file.as_deref(), "ca_file in [beat]").await?;
            ask(beat, stream).await
        } else {
            ask(beat, trust::connect_plainly(host, *port).await?).await
        }
    };
    let status = match tokio::time::timeout(LIMIT, asked).await {
        Err(_) => return Err(format!("{host} port {port} did not answer within {} s", LIMIT.as_secs())),
        Ok(answer) => answer?,
    };
    if status.is_success() {
        Ok(())
    } else if status.is_redirection() {
        Err(format!("{host} port {port} sends the beat elsewhere ({status}); write the address it should go to as url"))
    } else {
        Err(format!("{host} port {port} answers the beat with {status}; is the url still right?"))
    }
}

async fn ask(
    beat: &config::Beat,
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
) -> Result<StatusCode, String> {
    let broke = |error: hyper::Error| format!("the beat to {} port {} broke: {error}", beat.host, beat.port);
    let (mut sender, connection) = http1::handshake::<_, String>(TokioIo::new(stream)).await.map_err(broke)?;
    let usual = if beat.tls { 443 } else { 80 };
    let host = if beat.host.contains(':') { format!("[{}]", beat.host) } else { beat.host.clone() };
    let authority = if beat.port == usual { host } else { format!("{host}:{}", beat.port) };
    let request = Request::get(&beat.path)
        .header(HOST, authority)
        .header(USER_AGENT, concat!("traywarden/", env!("CARGO_PKG_VERSION")))
        .header(CONNECTION, "close")
        .body(String::new())
        .map_err(|error| format!("the beat's url cannot be asked for: {error}"))?;
    let connection = tokio::spawn(connection);
    let answer = sender.send_request(request).await.map(|answer| answer.status());
    // What it says is not read.
    connection.abort();
    answer.map_err(broke)
}
