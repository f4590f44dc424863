//! Reads `[mail.answers]`: the mailbox that replies to letters come into.

use super::Answers;
use super::address::{address, is_loopback, mail_address, path};
use super::amount::text;
use super::file::{Complaint, Findings, Table};
use std::path::Path;

/// IANA service names and port numbers.
const SCHEMES: [(&str, u16); 2] = [("imap", 143), ("imaps", 993)];

/// `None` without the table, or when it is wrong and reported.
pub(super) fn answers(
    mut table: Table<'_>,
    findings: &mut Findings<'_>,
    base: &Path,
    letters_leave: bool,
) -> Option<Answers> {
    if !table.stands() {
        return None;
    }
    let imap = table.take("imap");
    if imap.is_none() {
        table.missing(findings, "imap", "write imap = \"imaps://user@mail.your.domain:993\"");
    }
    let found = imap.as_ref().and_then(|item| {
        let address = address(item, findings, &SCHEMES)?;
        let tls = address.scheme == "imaps";
        if !tls && !is_loopback(&address.host) {
            let complaint =
                Complaint::new("a login may cross a network only under TLS; imap:// is for a server on this machine");
            findings.refuse(item, complaint.hint("write imaps://"));
            return None;
        }
        let Some(user) = address.user else {
            let complaint = Complaint::new("a mailbox has an owner, whose login is wanted");
            findings
                .refuse(item, complaint.hint("write \"imaps://user@host:993\"; an @ inside the user is written %40"));
            return None;
        };
        if !letters_leave {
            let complaint = Complaint::new("letters become files here, so nobody can reply to one");
            findings.refuse(item, complaint.hint("add smtp = \"smtps://user@host:465\" to [mail]"));
        }
        Some((tls, address.host, address.port, user))
    });
    let password_file = table.required(
        findings,
        "password_file",
        "write password_file = \"/etc/traywarden/answers.password\"",
        path(base),
    );
    let ca_file = table.optional(findings, "ca_file", path(base));
    let folder = table.optional(findings, "folder", |value| {
        let name = text(value)?;
        if name.is_ascii() {
            Ok(name.to_owned())
        } else {
            Err(Complaint::new("a name of plain ASCII letters is wanted")
                .hint("rename it in the mailbox, or leave folder out: INBOX is read then"))
        }
    });
    let reply_to = table.optional(findings, "reply_to", mail_address);
    table.finish(findings);
    let (tls, host, port, user) = found?;
    Some(Answers {
        host,
        port,
        tls,
        user,
        password_file: password_file?,
        ca_file,
        folder: folder.unwrap_or_else(|| "INBOX".to_owned()),
        reply_to,
    })
}
