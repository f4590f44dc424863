//! Reads `[beat]`: the address that is asked for while the watch is well.

use super::Beat;
use super::address::{is_loopback, path};
use super::amount::text;
use super::file::{Complaint, Findings, Item, Table};
use hyper::Uri;
use std::path::Path;

/// `None` without the table, or when it is wrong and reported.
pub(super) fn beat(mut table: Table<'_>, findings: &mut Findings<'_>, base: &Path) -> Option<Beat> {
    if !table.stands() {
        return None;
    }
    let item = table.take("url");
    if item.is_none() {
        table.missing(findings, "url", HINT);
    }
    let address = item.as_ref().and_then(|item| address(item, findings));
    let ca_item = table.take("ca_file");
    let ca_file = ca_item.as_ref().and_then(|item| item.read(findings, path(base)));
    if let (Some(item), Some((false, ..))) = (&ca_item, &address) {
        findings.refuse(item, Complaint::new("only used with https://, and the url is plain"));
    }
    table.finish(findings);
    let (tls, host, port, path) = address?;
    Some(Beat { tls, host, port, path, ca_file })
}

/// Never shown: whoever knows the address can beat in our place.
fn address(item: &Item<'_>, findings: &mut Findings<'_>) -> Option<(bool, String, u16, String)> {
    let found = match text(item.value) {
        Ok(found) => found,
        Err(complaint) => {
            findings.refuse(item, complaint);
            return None;
        }
    };
    let mut refuse = |wanted: &str| {
        findings.refuse_unshown(item, Complaint::new(wanted).hint(HINT));
        None
    };
    let Ok(uri) = found.parse::<Uri>() else {
        return refuse("a web address is wanted");
    };
    let tls = match uri.scheme_str() {
        Some("https") => true,
        Some("http") => false,
        _ => return refuse("an address that begins with https:// is wanted"),
    };
    let (Some(host), Some(authority)) = (uri.host().filter(|host| !host.is_empty()), uri.authority()) else {
        return refuse("an address with a host is wanted");
    };
    if authority.as_str().contains('@') {
        return refuse("a login has no place in the address");
    }
    let host = host.trim_matches(['[', ']']).to_ascii_lowercase();
    if !tls && !is_loopback(&host) {
        return refuse("plain http:// is taken only for this same machine; write https://");
    }
    if authority.port().is_some() && authority.port_u16().is_none_or(|port| port == 0) {
        return refuse("the port is a number from 1 to 65535");
    }
    let port = authority.port_u16().unwrap_or(if tls { 443 } else { 80 });
    Some((tls, host, port, uri.path_and_query().map_or("/".to_owned(), |path| path.as_str().to_owned())))
}

const HINT: &str = "write url = \"https://...\", the address that the service which waits for beats gave you";
