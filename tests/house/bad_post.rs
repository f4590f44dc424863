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

const MAIL: &str = "[mail]\nfrom = \"warden@saltmarsh.example\"\nto = [\"grower@saltmarsh.example\"]\n\
    smtp = \"smtps://user@mail.saltmarsh.example:465\"\npassword_file = \"mail.password\"\n";

#[test]
fn a_mailbox_for_replies_that_cannot_be_read_says_what_to_write() {
    let plain = "[mail.answers]\nimap = \"imap://user@mail.saltmarsh.example\"\nfolder = \"Ablagefächer\"\n";
    prints(
        &with(&format!("{MAIL}{plain}")),
        r##"error: 3 problems in config/room.toml

  room.toml:9   mail.answers.password_file
                missing, and nothing can stand in for it
                hint: write password_file = "/etc/traywarden/answers.password"

  room.toml:10  mail.answers.imap = "imap://user@mail.saltmarsh.example"
                a login may cross a network only under TLS; imap:// is for a server on this machine
                hint: write imaps://

  room.toml:11  mail.answers.folder = "Ablagefächer"
                a name of plain ASCII letters is wanted
                hint: rename it in the mailbox, or leave folder out: INBOX is read then
"##,
    );
    let nobodys =
        "[mail.answers]\nimap = \"imaps://mail.saltmarsh.example:993\"\npasswrd_file = \"x\"\nreply_to = \"nobody\"\n";
    prints(
        &with(&format!("{MAIL}{nobodys}")),
        r##"error: 4 problems in config/room.toml

  room.toml:9   mail.answers.password_file
                missing, and nothing can stand in for it
                hint: write password_file = "/etc/traywarden/answers.password"

  room.toml:10  mail.answers.imap = "imaps://mail.saltmarsh.example:993"
                a mailbox has an owner, whose login is wanted
                hint: write "imaps://user@host:993"; an @ inside the user is written %40

  room.toml:11  mail.answers.passwrd_file
                no such key
                hint: put the password alone into a file that only the daemon may read, and write password_file = "..."

  room.toml:12  mail.answers.reply_to = "nobody"
                a bare mail address is wanted, such as "grower@saltmarsh.example"
"##,
    );
    prints(
        &with(&format!("{MAIL}[mail.answers]\npassword_file = \"x\"\n")),
        r##"error: 1 problem in config/room.toml

  room.toml:9  mail.answers.imap
               missing, and nothing can stand in for it
               hint: write imap = "imaps://user@mail.your.domain:993"
"##,
    );
}

#[test]
fn replies_need_letters_that_leave() {
    prints(
        &with("[mail.answers]\nimap = \"imaps://user@mail.saltmarsh.example\"\npassword_file = \"x\"\n"),
        r##"error: 1 problem in config/room.toml

  room.toml:5  mail.answers.imap = "imaps://user@mail.saltmarsh.example"
               letters become files here, so nobody can reply to one
               hint: add smtp = "smtps://user@host:465" to [mail]
"##,
    );
}
