//! Who may: from where, under which name, with which secret. On this machine: anybody. Over
//! the local network: phones that were paired. From anywhere else: nobody.

use super::Desk;
use super::secrets::{hashed, hashed_text, is_whole, secret};
use crate::clock::Clock;
use crate::store::Phones;
use hyper::header::{self, HeaderMap, HeaderName};
use std::net::IpAddr;

/// The one cookie.
const COOKIE: &str = "sheet";
/// Browsers keep no cookie longer (RFC 6265bis); it is set anew at every visit.
const COOKIE_SECONDS: u32 = 400 * 24 * 3600;
/// Who an entry is by that was ticked on the machine itself.
pub(super) const HERE: &str = "this machine";

/// Whoever asks, and may.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Guest {
    /// The name that what they do carries.
    pub name: String,
    /// Their secret, which also binds the forms they are shown.
    secret: String,
}

/// Whether whoever asks may come in, and if not, why.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Door {
    /// Whoever asks may see the page and use its forms.
    Open(Guest),
    /// A phone that is not paired.
    Unpaired,
}

impl Guest {
    /// Goes into every form and comes back with it: who has not been shown the form by us
    /// cannot send it.
    pub(super) fn form_token(&self) -> String {
        hashed_text(&format!("form {}", self.secret))
    }

    /// The cookie by which they are known next time.
    pub(super) fn cookie(&self) -> String {
        cookie(&self.secret)
    }
}

/// The cookie that holds a secret.
pub(super) fn cookie(secret: &str) -> String {
    format!("{COOKIE}={secret}; Path=/; Max-Age={COOKIE_SECONDS}; HttpOnly; SameSite=Strict")
}

/// Whether an address is of this machine or of a local network: loopback, private (RFC 1918,
/// RFC 4193), link-local, or the carrier range that VPNs at home use (RFC 6598).
pub(super) fn is_local(address: IpAddr) -> bool {
    match address.to_canonical() {
        IpAddr::V4(address) => {
            let [first, second, ..] = address.octets();
            let shared = first == 100 && (64..128).contains(&second);
            address.is_loopback() || address.is_private() || address.is_link_local() || shared
        }
        IpAddr::V6(address) => address.is_loopback() || address.is_unique_local() || address.is_unicast_link_local(),
    }
}

/// Whether the name we are called by is ours. A foreign name that leads here is DNS
/// rebinding: the browser of somebody inside, steered from outside. A bare address cannot
/// be rebound.
pub(super) fn is_our_name(headers: &HeaderMap, names: &[String]) -> bool {
    let Some(host) = only(headers, header::HOST) else { return false };
    let name = without_port(host).to_ascii_lowercase();
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    bare == "localhost"
        || bare.parse::<IpAddr>().is_ok_and(is_local)
        || names.iter().any(|known| *known == name.trim_end_matches('.'))
}

/// Whether a form was sent from a page of ours. Every browser of the last years names where
/// a form comes from; what names nothing is no form of ours.
pub(super) fn comes_from_us(headers: &HeaderMap) -> bool {
    let Some(host) = only(headers, header::HOST) else { return false };
    let site = only(headers, HeaderName::from_static("sec-fetch-site"));
    if site.is_some_and(|site| site != "same-origin") {
        return false;
    }
    only(headers, header::ORIGIN)
        .and_then(|origin| origin.split_once("://"))
        .is_some_and(|(_, from)| from.eq_ignore_ascii_case(host))
}

/// Whether who asks is on this machine. Behind a proxy on it everybody would seem to be.
pub(super) fn is_here(headers: &HeaderMap, peer: IpAddr) -> bool {
    let forwarded = ["forwarded", "x-forwarded-for", "via"].iter().any(|name| headers.contains_key(*name));
    peer.to_canonical().is_loopback() && !forwarded
}

/// Looks at whoever asks.
pub(super) fn door(desk: &Desk, headers: &HeaderMap, peer: IpAddr) -> Door {
    let carried = cookie_of(headers);
    if is_here(headers, peer) {
        return match carried.map(str::to_owned).or_else(secret) {
            Some(secret) => Door::Open(Guest { name: HERE.to_owned(), secret }),
            None => Door::Unpaired,
        };
    }
    let Some(carried) = carried else { return Door::Unpaired };
    let known = Phones::open(&desk.store).and_then(|mut phones| phones.known(&hashed(carried), Clock::system().now()));
    match known {
        Ok(Some(phone)) => Door::Open(Guest { name: phone.name, secret: carried.to_owned() }),
        Ok(None) => Door::Unpaired,
        Err(error) => {
            tracing::warn!(%error, "cannot look up a phone");
            Door::Unpaired
        }
    }
}

fn cookie_of(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = all.flat_map(|value| value.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let (_, secret) = pairs.find(|(name, _)| *name == COOKIE)?;
    is_whole(secret).then_some(secret)
}

/// The value of a header that stands there once.
fn only(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    let mut all = headers.get_all(name).iter();
    let value = all.next()?.to_str().ok()?;
    all.next().is_none().then_some(value)
}

fn without_port(host: &str) -> &str {
    match host.rfind(':') {
        // In a bare IPv6 address the last colon begins no port.
        Some(colon) if host.ends_with(|last: char| last.is_ascii_digit()) && !host[colon..].contains(']') => {
            if host.starts_with('[') || host[..colon].find(':').is_none() { &host[..colon] } else { host }
        }
        _ => host,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use hyper::header::HeaderValue;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(HeaderName::from_static(name), HeaderValue::from_str(value).expect("a header value"));
        }
        headers
    }

    #[test]
    fn only_our_own_names_and_bare_local_addresses_are_answered() {
        let names = ["watch.lan".to_owned()];
        let called = |host: &str| is_our_name(&headers(&[("host", host)]), &names);
        for ours in [
            "127.0.0.1:8460",
            "127.0.0.1",
            "localhost",
            "LocalHost:8460",
            "[::1]:8460",
            "[::1]",
            "192.168.1.20:8460",
            "10.0.0.2",
            "[fe80::1]:8460",
            "watch.lan",
            "Watch.LAN:8460",
            "watch.lan.:8460",
        ] {
            assert!(called(ours), "{ours}");
        }
        for foreign in [
            "evil.example",
            "evil.example:8460",
            "localhost.evil.example",
            "127.0.0.1.evil.example",
            "watch.lan.evil.example",
            "8.8.8.8",
            "[2001:db8::1]:8460",
            "",
            "watch",
            "user@127.0.0.1",
        ] {
            assert!(!called(foreign), "{foreign}");
        }
        assert!(!is_our_name(&HeaderMap::new(), &names));
        assert!(!is_our_name(&headers(&[("host", "localhost"), ("host", "evil.example")]), &names), "two names");
    }

    #[test]
    fn a_form_is_ours_only_when_the_browser_says_so() {
        let sent =
            |more: &[(&'static str, &str)]| comes_from_us(&headers(&[&[("host", "127.0.0.1:8460")], more].concat()));
        assert!(sent(&[("origin", "http://127.0.0.1:8460")]));
        assert!(sent(&[("origin", "http://127.0.0.1:8460"), ("sec-fetch-site", "same-origin")]));
        for foreign in
            ["http://evil.example", "null", "http://127.0.0.1", "http://127.0.0.1:8461", "127.0.0.1:8460", ""]
        {
            assert!(!sent(&[("origin", foreign)]), "{foreign}");
        }
        assert!(!sent(&[]), "no origin at all");
        assert!(!sent(&[("origin", "http://127.0.0.1:8460"), ("sec-fetch-site", "cross-site")]));
        assert!(!sent(&[("origin", "http://127.0.0.1:8460"), ("origin", "http://evil.example")]));
    }

    #[test]
    fn local_is_this_machine_and_its_own_networks() {
        for local in [
            "127.0.0.1",
            "::1",
            "192.168.1.9",
            "10.9.9.9",
            "172.16.0.1",
            "169.254.1.1",
            "fe80::2",
            "fd00::1",
            "::ffff:192.168.1.9",
            "100.64.0.1",
        ] {
            assert!(is_local(local.parse().expect("an address")), "{local}");
        }
        for far in ["8.8.8.8", "172.32.0.1", "100.128.0.1", "2001:4860::1", "::ffff:8.8.8.8", "192.169.0.1"] {
            assert!(!is_local(far.parse().expect("an address")), "{far}");
        }
    }

    #[test]
    fn a_secret_is_long_never_twice_the_same_and_bound_to_its_forms() {
        let (one, other) = (secret().expect("randomness"), secret().expect("randomness"));
        assert_ne!(one, other);
        assert_eq!(one.len(), 32);
        let guest = |secret: &str| Guest { name: "Ada".into(), secret: secret.into() };
        assert_ne!(guest(&one).form_token(), guest(&other).form_token());
        assert!(!guest(&one).form_token().contains(&one));
        let carried = headers(&[("cookie", &format!("a=b; sheet={one}; c=d"))]);
        assert_eq!(cookie_of(&carried), Some(one.as_str()));
        assert_eq!(cookie_of(&headers(&[("cookie", "sheet=short")])), None);
    }
}
