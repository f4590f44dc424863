//! Reads `[page]`: where the round sheet is served, and by which names it may be called.

use super::amount::text;
use super::file::{Complaint, Findings, Table};
use super::{MetricsFor, PageSettings};
use std::net::{Ipv4Addr, SocketAddr};
use toml::de::DeValue;

/// Own default; no service registered with IANA bears this port (from memory).
const USUAL_PORT: u16 = 8460;
/// Where the page is served without `[page]`: to this machine alone.
pub const USUAL_PAGE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), USUAL_PORT);

/// `[page]`. Without it: served to this machine alone.
pub(super) fn page(mut table: Table<'_>, findings: &mut Findings<'_>) -> PageSettings {
    let listen = table.optional(findings, "listen", listen);
    let names = table
        .take("names")
        .map_or_else(Vec::new, |item| item.list().iter().filter_map(|item| item.read(findings, host_name)).collect());
    let metrics = table.optional(findings, "metrics", metrics).unwrap_or_default();
    table.finish(findings);
    PageSettings { listen: listen.unwrap_or(Some(USUAL_PAGE)), names, metrics }
}

fn metrics(value: &DeValue<'_>) -> Result<MetricsFor, Complaint> {
    match text(value)? {
        "this machine" => Ok(MetricsFor::ThisMachine),
        "local network" => Ok(MetricsFor::LocalNetwork),
        _ => Err(Complaint::new("who may ask for /metrics and /health is wanted")
            .hint("write \"this machine\" or \"local network\"")),
    }
}

fn listen(value: &DeValue<'_>) -> Result<Option<SocketAddr>, Complaint> {
    let found = text(value)?;
    if found == "off" {
        return Ok(None);
    }
    let address = found.parse().or_else(|_| found.replace("localhost", "127.0.0.1").parse());
    address.map(Some).map_err(|_| {
        Complaint::new("an address with a port is wanted, or \"off\"").hint(format!(
            "write \"127.0.0.1:{USUAL_PORT}\" for this machine alone, \"0.0.0.0:{USUAL_PORT}\" for paired phones too"
        ))
    })
}

/// A host name as it stands in a link, without port.
fn host_name(value: &DeValue<'_>) -> Result<String, Complaint> {
    let name = text(value)?.to_ascii_lowercase();
    let fits = name.chars().all(|letter| letter.is_ascii_alphanumeric() || letter == '-' || letter == '.');
    if fits && name.len() <= 253 {
        Ok(name)
    } else {
        Err(Complaint::new("the name of a machine is wanted, without http:// and without a port")
            .hint("write names = [\"watch.lan\"]"))
    }
}
