//! Links that a phone can follow: under which name it reaches this machine.

use crate::config::PageSettings;
use std::net::{IpAddr, SocketAddr, UdpSocket};

/// Where the page is for a phone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reached {
    /// From the local network, under this address: "http://192.168.1.20:8460".
    At(String),
    /// Only from this machine, under this address.
    OnlyHere(String),
    /// There is no page.
    Nowhere,
}

/// How the page is reached. A name from the settings goes before a number.
pub fn reached(page: &PageSettings) -> Reached {
    let Some(listen) = page.listen else { return Reached::Nowhere };
    let named = page.names.first().map(|name| format!("http://{name}:{}", listen.port()));
    match (listen.ip(), named) {
        // Behind a name a proxy may stand that is reached from elsewhere.
        (_, Some(named)) => Reached::At(named),
        (ip, None) if ip.is_loopback() => Reached::OnlyHere(address(listen.ip(), listen.port())),
        (ip, None) if ip.is_unspecified() => match own_address(ip) {
            Some(own) => Reached::At(address(own, listen.port())),
            None => Reached::OnlyHere(address(IpAddr::from([127, 0, 0, 1]), listen.port())),
        },
        (ip, None) => Reached::At(address(ip, listen.port())),
    }
}

fn address(ip: IpAddr, port: u16) -> String {
    format!("http://{}", SocketAddr::new(ip, port))
}

/// The address of this machine on the network that leads on. No packet is sent for it: a UDP
/// socket that is connected only looks at the table of routes.
fn own_address(any: IpAddr) -> Option<IpAddr> {
    // Addresses for documentation (RFC 5737, RFC 3849).
    let elsewhere = if any.is_ipv4() { "192.0.2.1:9" } else { "[2001:db8::1]:9" };
    let socket = UdpSocket::bind((any, 0)).ok()?;
    socket.connect(elsewhere).ok()?;
    let own = socket.local_addr().ok()?.ip();
    (!own.is_unspecified() && !own.is_loopback()).then_some(own)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_goes_before_a_number_and_loopback_is_said_to_be_only_here() {
        let page = |listen: &str, names: &[&str]| PageSettings {
            listen: listen.parse().ok(),
            names: names.iter().map(|name| (*name).to_owned()).collect(),
            metrics: crate::config::MetricsFor::ThisMachine,
        };
        assert_eq!(reached(&page("0.0.0.0:8460", &["watch.lan"])), Reached::At("http://watch.lan:8460".into()));
        assert_eq!(reached(&page("192.168.1.20:80", &[])), Reached::At("http://192.168.1.20:80".into()));
        assert_eq!(reached(&page("127.0.0.1:8460", &[])), Reached::OnlyHere("http://127.0.0.1:8460".into()));
        assert_eq!(reached(&page("[fd00::5]:8460", &[])), Reached::At("http://[fd00::5]:8460".into()));
        assert_eq!(reached(&page("off", &[])), Reached::Nowhere);
    }
}
