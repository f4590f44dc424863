//! Reads how the outside is reached: the broker and the mail server, each as one
//! address with its TLS and its login. Connecting is left to `intake` and `notify`.

use super::address::{Address, address, is_loopback, mail_address, path};
use super::amount::{text, truth};
use super::answers;
use super::file::{Complaint, Findings, Table};
use super::settings::{Broker, Mail, Smtp, Tls};
use std::path::Path;

/// Schemes with the port each has by custom (IANA service names and port numbers).
const BROKER_SCHEMES: [(&str, u16); 2] = [("mqtt", 1883), ("mqtts", 8883)];
const MAIL_SCHEMES: [(&str, u16); 2] = [("smtp", 587), ("smtps", 465)];

/// `[broker]`. Without it: a broker on this machine, plain, without a login.
pub(super) fn broker(mut table: Table<'_>, findings: &mut Findings<'_>, base: &Path, site_topic: &str) -> Broker {
    let url = table.take("url");
    let address = url.as_ref().and_then(|item| address(item, findings, &BROKER_SCHEMES));
    let user = table.take("user");
    let user_named = user.as_ref().and_then(|item| item.read(findings, text)).map(str::to_owned);
    let password = table.take("password_file");
    let password_file = password.as_ref().and_then(|item| item.read(findings, path(base)));
    let client_id = table.optional(findings, "client_id", |value| {
        let id = text(value)?;
        if id.len() > 128 { Err(Complaint::new("at most 128 letters are wanted")) } else { Ok(id.to_owned()) }
    });
    let tls_files = ["ca_file", "certificate_file", "key_file"].map(|key| table.take(key));
    let [ca_file, certificate_file, key_file] =
        [0, 1, 2].map(|index| tls_files[index].as_ref().and_then(|item| item.read(findings, path(base))));
    let [ca, certificate, key] = &tls_files;
    match (certificate, key) {
        (Some(certificate), None) => {
            findings.refuse(certificate, Complaint::new("a certificate of our own needs its key").hint("add key_file"));
        }
        (None, Some(key)) => {
            findings.refuse(key, Complaint::new("a key needs its certificate").hint("add certificate_file"));
        }
        _ => {}
    }
    let secure = address.as_ref().is_some_and(|address| address.scheme == "mqtts");
    if !secure && (address.is_some() || url.is_none()) {
        for item in [ca, certificate, key].into_iter().flatten() {
            findings.refuse(
                item,
                Complaint::new("only used with TLS, and the broker's url is plain").hint("write url = \"mqtts://...\""),
            );
        }
    }
    let in_url = address.as_ref().and_then(|address| address.user.clone());
    if let (Some(item), Some(_)) = (&user, &in_url) {
        findings.refuse(item, Complaint::new("the url names a user too").hint("keep one of the two"));
    }
    let user_given = user.is_some() || in_url.is_some();
    if let (Some(item), false) = (&password, user_given) {
        findings.refuse(item, Complaint::new("a password without a user is no login").hint("add user = \"...\""));
    }
    table.finish(findings);
    let address = address.unwrap_or(Address { scheme: "mqtt", user: None, host: "127.0.0.1".to_owned(), port: 1883 });
    Broker {
        host: address.host,
        port: address.port,
        tls: secure.then_some(Tls { ca_file, certificate_file, key_file }),
        user: user_named.or(in_url),
        password_file,
        client_id: client_id.unwrap_or_else(|| format!("traywarden-{site_topic}")),
        site_topic: site_topic.to_owned(),
    }
}

/// `[mail]`, with `digest_at` already taken from it. Without it, or without
/// `smtp`, letters become .eml files.
pub(super) fn mail(mut table: Table<'_>, findings: &mut Findings<'_>, base: &Path, store: &Path) -> Mail {
    let from = table.optional(findings, "from", mail_address);
    let recipients = table.take("to");
    let to = recipients.as_ref().map(|item| {
        let list = item.list();
        if list.is_empty() {
            findings.refuse(
                item,
                Complaint::new("at least one recipient is wanted").hint("write to = [\"you@your.domain\"]"),
            );
        }
        let mut addresses: Vec<String> = Vec::new();
        for address in list.iter().filter_map(|item| item.read(findings, mail_address)) {
            if !addresses.iter().any(|other| other.eq_ignore_ascii_case(&address)) {
                addresses.push(address);
            }
        }
        addresses
    });
    let smtp = smtp(&mut table, findings, base);
    if smtp.stands() && recipients.is_none() {
        table.missing(findings, "to", "write to = [\"you@your.domain\"]");
    }
    let folder = table.optional(findings, "folder", path(base));
    let answers_table = table.table(findings, "answers");
    let answers = answers::answers(answers_table, findings, base, smtp.stands());
    let from_stands = table.take("from").is_some();
    if smtp.stands() && !from_stands {
        table.missing(
            findings,
            "from",
            "write the sender your mail server lets you use, for example from = \"warden@your.domain\"",
        );
    }
    table.finish(findings);
    Mail {
        from: from.unwrap_or_else(|| "traywarden@localhost".to_owned()),
        to: to.unwrap_or_else(|| vec!["grower@localhost".to_owned()]),
        smtp: smtp.into_smtp(),
        folder: folder.unwrap_or_else(|| store.parent().unwrap_or(base).join("letters")),
        answers,
    }
}

/// What `[mail]` says of a server.
enum Server {
    /// Nothing: letters become files.
    None,
    /// A server stands there and cannot be used; the problem is among those that come out.
    Wrong,
    /// A server that letters can go to.
    Right(Smtp),
}

impl Server {
    fn stands(&self) -> bool {
        !matches!(self, Server::None)
    }

    fn into_smtp(self) -> Option<Smtp> {
        match self {
            Server::Right(smtp) => Some(smtp),
            Server::None | Server::Wrong => None,
        }
    }
}

fn smtp(table: &mut Table<'_>, findings: &mut Findings<'_>, base: &Path) -> Server {
    let url = table.take("smtp");
    let address = url.as_ref().and_then(|item| address(item, findings, &MAIL_SCHEMES));
    let password = table.take("password_file");
    let password_file = password.as_ref().and_then(|item| item.read(findings, path(base)));
    let ca = table.take("ca_file");
    let ca_file = ca.as_ref().and_then(|item| item.read(findings, path(base)));
    let plain_item = table.take("plain");
    let plain = plain_item.as_ref().and_then(|item| item.read(findings, truth)).unwrap_or(false);
    let Some(url) = url else {
        for item in [&password, &ca, &plain_item].into_iter().flatten() {
            findings.refuse(item, Complaint::new("only used with a mail server, and smtp is not set"));
        }
        return Server::None;
    };
    let Some(address) = address else { return Server::Wrong };
    let implicit_tls = address.scheme == "smtps";
    if let (Some(item), true) = (&plain_item, plain) {
        if implicit_tls {
            findings.refuse(item, Complaint::new("smtps is never plain").hint("write smtp:// or leave plain out"));
        } else if !is_loopback(&address.host) {
            findings.refuse(
                item,
                Complaint::new(
                    "a login and letters may cross a network only under TLS; plain is for a server on this machine",
                )
                .hint("leave plain out: STARTTLS is then required"),
            );
        }
    }
    match (&address.user, &password) {
        (Some(_), None) => findings.refuse(
            &url,
            Complaint::new("a login needs a password").hint("add password_file = \"/etc/traywarden/mail.password\""),
        ),
        (None, Some(item)) => findings.refuse(
            item,
            Complaint::new("a password without a user is no login")
                .hint("write the user into the url: \"smtps://user@host:465\"; an @ inside the user is written %40"),
        ),
        _ => {}
    }
    Server::Right(Smtp {
        host: address.host,
        port: address.port,
        implicit_tls,
        plain,
        user: address.user,
        password_file,
        ca_file,
    })
}
