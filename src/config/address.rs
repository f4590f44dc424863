//! Addresses as people write them: of servers with scheme, user and port, of mailboxes, of
//! files. Each is read whole, with what to write where it is wrong.

use super::amount::text;
use super::file::{Complaint, Findings, Item, PASSWORD_HINT};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use toml::de::DeValue;

/// A file's path; a relative one counts from the folder of the settings file.
pub(super) fn path(base: &Path) -> impl Fn(&DeValue<'_>) -> Result<PathBuf, Complaint> {
    move |value| Ok(base.join(text(value)?))
}

pub(super) fn mail_address(value: &DeValue<'_>) -> Result<String, Complaint> {
    let found = text(value)?;
    let right: Result<lettre::Address, _> = found.parse();
    right
        .map(|address| address.to_string())
        .map_err(|_| Complaint::new("a bare mail address is wanted, such as \"grower@saltmarsh.example\""))
}

pub(super) fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

pub(super) struct Address {
    pub scheme: &'static str,
    pub user: Option<String>,
    pub host: String,
    pub port: u16,
}

/// `scheme://user@host:port` (RFC 3986, section 3.2); the user may be percent-encoded.
pub(super) fn address(
    item: &Item<'_>,
    findings: &mut Findings<'_>,
    schemes: &[(&'static str, u16); 2],
) -> Option<Address> {
    let [(plain, plain_port), (secure, secure_port)] = *schemes;
    let form = format!(
        "write \"{plain}://host:{plain_port}\", or \"{secure}://host:{secure_port}\" for TLS{}",
        if plain == "mqtt" { "" } else { " from the first byte" }
    );
    let found = item.read(findings, text)?;
    let parts = found.split_once("://").and_then(|(scheme, rest)| {
        schemes.iter().find(|(known, _)| known.eq_ignore_ascii_case(scheme)).map(|known| (*known, rest))
    });
    let Some(((scheme, usual_port), rest)) = parts else {
        let shown = !found.contains('@');
        let complaint =
            Complaint::new(format!("an address that begins with {plain}:// or {secure}:// is wanted")).hint(form);
        if shown {
            findings.refuse(item, complaint)
        } else {
            findings.refuse_unshown(item, complaint)
        }
        return None;
    };
    let (user, host) = match rest.rsplit_once('@') {
        Some((user, host)) => (Some(user), host),
        None => (None, rest),
    };
    if user.is_some_and(|user| user.contains(':')) {
        let complaint = Complaint::new("a password has no place in the settings (not shown here)");
        findings.refuse_unshown(item, complaint.hint(PASSWORD_HINT));
        return None;
    }
    match host_and_port(host.strip_suffix('/').unwrap_or(host), usual_port).and_then(|(host, port)| {
        let user = user.map(percent_decoded).transpose()?;
        Ok(Address { scheme, user, host, port })
    }) {
        Ok(address) => Some(address),
        Err(wanted) => {
            findings.refuse(item, Complaint::new(wanted).hint(form));
            None
        }
    }
}

fn host_and_port(text: &str, usual_port: u16) -> Result<(String, u16), &'static str> {
    let (host, port) = match text.strip_prefix('[') {
        Some(rest) => {
            let (host, after) = rest.split_once(']').ok_or("an IPv6 address in brackets has a closing one")?;
            host.parse::<std::net::Ipv6Addr>().map_err(|_| "between the brackets an IPv6 address is wanted")?;
            (host, after.strip_prefix(':').or((!after.is_empty()).then_some("")))
        }
        None => match text.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (text, None),
        },
    };
    let plain = |character: char| character.is_ascii_alphanumeric() || matches!(character, '.' | '-' | '_' | ':');
    if host.is_empty() || !host.chars().all(plain) {
        return Err("a host name or an IP address is wanted, and nothing after the port");
    }
    let port = match port {
        None => usual_port,
        Some(port) => match port.parse() {
            Ok(port) if port > 0 => port,
            _ => return Err("the port is a number from 1 to 65535, and nothing follows it"),
        },
    };
    Ok((host.to_ascii_lowercase(), port))
}

fn percent_decoded(text: &str) -> Result<String, &'static str> {
    let wrong = "in the user, \"%\" is followed by two hexadecimal digits, and an \"@\" is written %40";
    let mut bytes = Vec::new();
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte != b'%' {
            bytes.push(byte);
            continue;
        }
        let digit = |byte: Option<u8>| byte.and_then(|byte| char::from(byte).to_digit(16)).ok_or(wrong);
        let (high, low) = (digit(rest.next())?, digit(rest.next())?);
        bytes.push((high * 16 + low) as u8);
    }
    match String::from_utf8(bytes) {
        Ok(user) if !user.is_empty() && !user.chars().any(char::is_control) => Ok(user),
        _ => Err(wrong),
    }
}
