//! Secrets that a phone or a link carries, and what is kept of them: only hashes.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};

/// Bytes of a secret: beyond guessing.
const SECRET_BYTES: usize = 24;

/// A new secret; `None` where the system has no randomness to give.
pub(crate) fn secret() -> Option<String> {
    let mut bytes = [0; SECRET_BYTES];
    SystemRandom::new().fill(&mut bytes).ok()?;
    Some(URL_SAFE_NO_PAD.encode(bytes))
}

/// What is kept of a secret.
pub(crate) fn hashed(secret: &str) -> Vec<u8> {
    digest(&SHA256, secret.as_bytes()).as_ref().to_vec()
}

/// The hash of a text, as text.
pub(super) fn hashed_text(text: &str) -> String {
    URL_SAFE_NO_PAD.encode(digest(&SHA256, text.as_bytes()))
}

/// Whether a text is as long as our secrets are.
pub(super) fn is_whole(secret: &str) -> bool {
    URL_SAFE_NO_PAD.decode(secret).is_ok_and(|bytes| bytes.len() == SECRET_BYTES)
}
