//! What a grower sees when the settings of answers and of the beat are wrong.

use crate::bad_config::{AIR, RACK, SITE, prints, refuses, right};

fn with(table: &str) -> String {
    format!("{SITE}{table}{RACK}{AIR}")
}

#[test]
fn a_beat_names_host_port_and_path_and_is_left_out_without_its_table() {
    assert_eq!(right(&with("")).beat, None);
    let beat = right(&with("[beat]\nurl = \"https://Beats.saltmarsh.example/7f3c?a=1\"\n")).beat.expect("a beat");
    assert_eq!((beat.tls, beat.host.as_str(), beat.port), (true, "beats.saltmarsh.example", 443));
    assert_eq!(beat.path, "/7f3c?a=1");
    let near = right(&with("[beat]\nurl = \"http://[::1]:8080\"\n")).beat.expect("a beat");
    assert_eq!((near.tls, near.host.as_str(), near.port, near.path.as_str()), (false, "::1", 8080, "/"));
}

#[test]
fn a_wrong_beat_says_what_to_write_and_never_shows_the_address() {
    prints(
        &with("[beat]\nurl = \"ftp://beats.saltmarsh.example/7f3c\"\n"),
        "error: 1 problem in config/room.toml\n\n  room.toml:5  beat.url\n               an address that begins with https:// is wanted\n               \
         hint: write url = \"https://...\", the address that the service which waits for beats gave you\n",
    );
    for (url, words) in [
        ("http://beats.saltmarsh.example/7f3c", "only for this same machine"),
        ("https://ada:pw@beats.saltmarsh.example/7f3c", "no place in the address"),
        ("https://beats.saltmarsh.example:0/7f3c", "from 1 to 65535"),
        ("https:///7f3c", "a web address is wanted"),
    ] {
        refuses(&with(&format!("[beat]\nurl = \"{url}\"\n")), words);
        let printed = crate::bad_config::printed(&with(&format!("[beat]\nurl = \"{url}\"\n")));
        assert!(!printed.contains("7f3c"), "{printed}");
    }
    refuses(&with("[beat]\n"), "beat.url");
    refuses(&with("[beat]\nurl = \"http://localhost/\"\nca_file = \"a.pem\"\n"), "the url is plain");
}
