//! Addresses: what `--listen` understands, and which ones this machine has.

use std::net::{IpAddr, SocketAddr};

use crate::units::foreign;

/// Understands `192.168.1.20:8410`, `192.168.1.20`, `localhost:8410`, `8410` and `[::1]:8410`; without a port it is `PORT`.
pub(in crate::cli) fn listening_address<const PORT: u16>(text: &str) -> Result<SocketAddr, String> {
    let here = IpAddr::from([127, 0, 0, 1]);
    let text = text.trim();
    if let Ok(address) = text.parse::<SocketAddr>() {
        return Ok(address);
    }
    if let Ok(ip) = text.trim_matches(['[', ']']).parse::<IpAddr>() {
        return Ok(SocketAddr::new(ip, PORT));
    }
    if text == "localhost" {
        return Ok(SocketAddr::new(here, PORT));
    }
    let port = text.strip_prefix("localhost:").or(text.strip_prefix(':')).unwrap_or(text);
    port.parse::<u16>().map(|port| SocketAddr::new(here, port)).map_err(|_| {
        let own = match own_addresses_in_words() {
            none if none.is_empty() => "; it has no address in a network now".to_owned(),
            own => format!("; it has {own}"),
        };
        format!(
            "\"{}\" is not an address of this machine: 192.168.1.20, 192.168.1.20:{PORT}, localhost:{PORT} and {PORT} are \
             understood{own}",
            foreign::shortened(text)
        )
    })
}

/// The addresses that this machine has in its networks, those of home networks first; link-local ones, which phones cannot
/// be told, are left out.
fn own_addresses() -> Vec<(String, IpAddr)> {
    let mut found: Vec<(String, IpAddr)> = if_addrs::get_if_addrs()
        .unwrap_or_default()
        .into_iter()
        .filter(|interface| !interface.is_loopback() && !interface.is_link_local())
        .map(|interface| (interface.name.clone(), interface.ip()))
        .collect();
    found.sort_by_key(|(_, ip)| (!matches!(ip, IpAddr::V4(ip) if ip.is_private()), ip.is_ipv6()));
    found
}

/// The same in words: `192.168.1.20 (wlan0), 10.0.0.4 (eth0)`.
fn own_addresses_in_words() -> String {
    let said = own_addresses().into_iter().map(|(name, ip)| format!("{ip} ({name})"));
    said.collect::<Vec<_>>().join(", ")
}

/// What is to be known of the address that a night listens on.
pub(super) fn about(listening: IpAddr) -> Option<String> {
    let listening = listening.to_canonical();
    if listening.is_ipv4() && !listening.is_loopback() {
        return None;
    }
    if !listening.is_loopback() {
        let counted = "IPv6 gives a phone many addresses, so a whole network counts as one and gets six seats in all. \
                       If your guests are in one network, say: door shared";
        return Some(counted.to_owned());
    }
    Some(match own_addresses().first() {
        None => "Only this machine can take part: it has no address in a network now.".to_owned(),
        Some((_, first)) => format!(
            "Only this machine can take part; --listen {first} lets phones in. This machine has {}.",
            own_addresses_in_words()
        ),
    })
}
