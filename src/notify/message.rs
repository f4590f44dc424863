//! From a letter to the finished bytes of one mail to one recipient: MIME parts,
//! thread headers, a Message-ID that is the same at every try and that nobody can guess.

use super::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::config;
use crate::engine::event::LetterKind;
use crate::marks::MarkKey;
use lettre::Message;
use lettre::message::header::{ContentType, Header, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart, SinglePart};

/// Why a letter cannot become a mail.
#[derive(Debug, thiserror::Error)]
pub enum MessageError {
    /// An address no mail server would take.
    #[error("\"{address}\" is not an address one can write to: {cause}; write it like grower@example.org")]
    Address {
        /// What was given.
        address: String,
        /// What is wrong with it.
        cause: lettre::address::AddressError,
    },
    /// The parts could not be put together.
    #[error("letter {letter} cannot be put into a mail: {cause}")]
    Build {
        /// The letter's id.
        letter: String,
        /// The library's words.
        cause: lettre::error::Error,
    },
}

/// From whom a letter is, the same for every recipient.
#[derive(Clone, Copy, Debug)]
pub struct Sender<'a> {
    /// The address.
    pub address: &'a str,
    /// The site, which stands beside the address as its name.
    pub site_name: &'a str,
    /// Where an answer should go, if not to the address.
    pub reply_to: Option<&'a str>,
    /// What the marks are made with.
    pub key: &'a MarkKey,
}

impl<'a> Sender<'a> {
    /// As the settings have it.
    pub fn of(settings: &'a config::Mail, site_name: &'a str, key: &'a MarkKey) -> Sender<'a> {
        let reply_to = settings.answers.as_ref().and_then(|answers| answers.reply_to.as_deref());
        Sender { address: &settings.from, site_name, reply_to, key }
    }
}

/// A mail of somebody that a letter answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answered {
    /// Its Message-ID, without angle brackets.
    pub message_id: String,
    /// The Message-IDs of the thread before it, oldest first, without angle brackets.
    pub thread: Vec<String>,
}

/// The mails of a letter, one for each recipient of the config. A recipient
/// whose address cannot be used does not take the others down.
pub fn mails(letter: &Letter, settings: &config::Mail, sender: Sender<'_>) -> Vec<Result<Parcel, MessageError>> {
    settings.to.iter().map(|recipient| mail(letter, recipient, sender, None)).collect()
}

/// The mail of a letter to one recipient: alternative { plain, related { html,
/// pictures } }. The same letter, recipient and key give the same bytes. `answered` is
/// the mail of theirs that it answers, if it does (RFC 5322 section 3.6.4; RFC 3834
/// section 3.1.5).
///
/// # Errors
/// When one of the addresses cannot be read.
pub fn mail(
    letter: &Letter,
    recipient: &str,
    sender: Sender<'_>,
    answered: Option<&Answered>,
) -> Result<Parcel, MessageError> {
    let to = mailbox(recipient)?;
    let mut from = mailbox(sender.address)?;
    if from.name.is_none() {
        from.name = Some(one_line(sender.site_name)).filter(|name| !name.is_empty());
    }
    let domain = from.email.domain().to_owned();
    // A digest has its day's name; one that came too early for a clock that was wrong must not
    // let the right one pass for the same mail.
    let id = match letter.kind {
        LetterKind::Digest => message_id(&format!("{}-{}", letter.id, letter.at.timestamp()), &to, &domain, sender.key),
        LetterKind::Alarm | LetterKind::Evening | LetterKind::Round | LetterKind::Over => {
            message_id(&letter.id, &to, &domain, sender.key)
        }
    };
    let seed = format!("{:016x}", fingerprint(&id));

    let mut builder = Message::builder()
        .from(from.clone())
        .to(to.clone())
        .subject(one_line(&letter.subject))
        .date(letter.at.into())
        .message_id(Some(id.clone()))
        // RFC 3834 section 5: no vacation reply shall answer it.
        .header(if answered.is_some() { AutoSubmitted::Replied } else { AutoSubmitted::Generated });
    if let Some(reply_to) = sender.reply_to {
        builder = builder.reply_to(mailbox(reply_to)?);
    }
    if let Some(answered) = answered {
        let parent = bracketed(&answered.message_id);
        let thread: Vec<String> = answered.thread.iter().map(|id| bracketed(id)).chain([parent.clone()]).collect();
        builder = builder.in_reply_to(parent).references(thread.join(" "));
    } else if let Some(first) = &letter.answers {
        let parent = message_id(first, &to, &domain, sender.key);
        builder = builder.in_reply_to(parent.clone()).references(parent);
    }
    let mut related =
        MultiPart::related().boundary(format!("related-{seed}")).singlepart(SinglePart::html(letter.html.clone()));
    for picture in &letter.pictures {
        let name = one_line(&picture.name);
        related =
            related.singlepart(Attachment::new_inline_with_name(name.clone(), name).body(picture.png.clone(), png()));
    }
    let body = MultiPart::alternative()
        .boundary(format!("alternative-{seed}"))
        .singlepart(SinglePart::plain(letter.text.clone()))
        .multipart(related);
    let message = builder.multipart(body).map_err(|cause| MessageError::Build { letter: letter.id.clone(), cause })?;
    let key = ParcelKey { letter: letter.id.clone(), carrier: CarrierName::Mail, recipient: to.email.to_string() };
    Ok(Parcel { key, message_id: Some(id), bytes: message.formatted() })
}

fn png() -> ContentType {
    ContentType::parse("image/png").expect("image/png is a content type")
}

fn mailbox(address: &str) -> Result<Mailbox, MessageError> {
    let address = one_line(address);
    address.parse().map_err(|cause| MessageError::Address { address, cause })
}

/// Computed from the letter and the recipient, so that a second delivery of the
/// same mail is recognised as such (RFC 5322 section 3.6.4). Whoever names it has
/// seen the mail: the mark in it cannot be guessed.
fn message_id(letter: &str, recipient: &Mailbox, domain: &str, key: &MarkKey) -> String {
    let readable: String = letter
        .chars()
        .map(|sign| if sign.is_ascii_alphanumeric() || sign == '-' { sign } else { '-' })
        .take(60)
        .collect();
    let mark = key.message_mark(letter, recipient.email.as_ref());
    format!("<{}.{mark}@{domain}>", readable.trim_matches('-'))
}

/// An id that a stranger's program wrote, fit for a header of ours.
fn bracketed(id: &str) -> String {
    let plain: String = id.chars().filter(|sign| sign.is_ascii_graphic() && !"<>".contains(*sign)).take(250).collect();
    format!("<{plain}>")
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo; parameters from memory): a name, not a secret.
pub(crate) fn fingerprint(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

/// No line break ever enters a header.
fn one_line(text: &str) -> String {
    let plain: String = text.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// RFC 3834 section 5.
#[derive(Clone, Copy)]
enum AutoSubmitted {
    Generated,
    Replied,
}

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(text: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(if text.trim() == "auto-replied" { AutoSubmitted::Replied } else { AutoSubmitted::Generated })
    }

    fn display(&self) -> HeaderValue {
        let word = match self {
            AutoSubmitted::Generated => "auto-generated",
            AutoSubmitted::Replied => "auto-replied",
        };
        HeaderValue::new(Self::name(), word.to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::letter::Picture;

    fn letter() -> Letter {
        Letter {
            id: "2026-03-03T22:10:00Z/reservoir-low:tank/0".into(),
            kind: LetterKind::Alarm,
            at: "2026-03-04T04:10:00Z".parse().unwrap(),
            answers: None,
            subject: "Now: Tank empty by 03:40 - refill 18 L".into(),
            text: "Fill the tank: 18 L to the brim, before 02:50.\n\nIt is 31 °C.\n".into(),
            html: "<p>31 °C</p>".into(),
            pictures: vec![Picture { name: "air-rack-a.png".into(), png: vec![137, 80, 78, 71] }],
        }
    }

    fn mail_from(letter: &Letter, to: &str, site_name: &str) -> Parcel {
        let key = MarkKey::new(&[7; 32]);
        let sender = Sender { address: "warden@saltmarsh.example", site_name, reply_to: None, key: &key };
        mail(letter, to, sender, None).unwrap()
    }

    fn text(mail: &Parcel) -> String {
        String::from_utf8(mail.bytes.clone()).unwrap()
    }

    #[test]
    fn a_digest_that_came_too_early_and_the_right_one_are_two_mails() {
        let digest = |at: &str| {
            let letter = Letter {
                kind: LetterKind::Digest,
                id: "digest-2026-03-04".into(),
                at: at.parse().unwrap(),
                ..letter()
            };
            mail_from(&letter, "grower@saltmarsh.example", "Saltmarsh Lane").message_id
        };
        assert_ne!(digest("2026-03-04T07:00:00Z"), digest("2026-03-04T12:00:00Z"), "a clock was five hours ahead");
        assert_eq!(digest("2026-03-04T12:00:00Z"), digest("2026-03-04T12:00:00Z"));
    }

    #[test]
    fn the_same_letter_gives_the_same_bytes() {
        let make = || mail_from(&letter(), "grower@saltmarsh.example", "Saltmarsh Lane");
        assert_eq!(make(), make());
    }

    #[test]
    fn each_recipient_has_a_message_id_of_their_own() {
        let make = |to: &str| mail_from(&letter(), to, "Saltmarsh Lane").message_id;
        assert_ne!(make("a@saltmarsh.example"), make("b@saltmarsh.example"));
    }

    #[test]
    fn an_answer_names_the_message_id_of_the_raise_to_the_same_recipient() {
        let raise = mail_from(&letter(), "a@saltmarsh.example", "S");
        let answer = Letter { id: "later".into(), answers: Some(letter().id), ..letter() };
        let answer = text(&mail_from(&answer, "a@saltmarsh.example", "S"));
        let unfolded = answer.replace("\r\n ", " ");
        assert!(unfolded.contains(&format!("In-Reply-To: {}", raise.message_id.as_deref().unwrap())), "{unfolded}");
        assert!(unfolded.contains(&format!("References: {}", raise.message_id.as_deref().unwrap())), "{unfolded}");
    }

    #[test]
    fn line_breaks_in_names_and_subjects_add_no_header() {
        let letter = Letter {
            subject: "x\r\nBcc: evil@example.org".into(),
            answers: Some("y>\r\nBcc: evil@example.org".into()),
            pictures: vec![Picture { name: "a\"\r\nBcc: evil@example.org".into(), png: vec![1] }],
            ..letter()
        };
        let mail = mail_from(&letter, "a@saltmarsh.example", "S\r\nBcc: evil@example.org");
        assert!(!text(&mail).lines().any(|line| line.to_lowercase().starts_with("bcc")), "{}", text(&mail));
    }

    #[test]
    fn an_address_that_is_none_is_named_and_the_others_still_get_their_mail() {
        let settings = config::Mail {
            from: "warden@saltmarsh.example".into(),
            to: vec!["nobody".into(), "grower@saltmarsh.example".into()],
            smtp: None,
            folder: "letters".into(),
            answers: None,
        };
        let key = MarkKey::new(&[7; 32]);
        let made = mails(&letter(), &settings, Sender::of(&settings, "Saltmarsh Lane", &key));
        assert!(made[0].as_ref().unwrap_err().to_string().contains("\"nobody\""));
        assert!(made[1].is_ok());
    }

    #[test]
    fn an_answer_to_a_reply_names_it_and_its_thread_and_lets_no_header_in() {
        let key = MarkKey::new(&[7; 32]);
        let sender = Sender {
            address: "warden@saltmarsh.example",
            site_name: "Saltmarsh Lane",
            reply_to: Some("answers@saltmarsh.example"),
            key: &key,
        };
        let answered = Answered {
            message_id: "r1@phone.example>\r\nBcc: evil@example.org".into(),
            thread: vec!["first@saltmarsh.example".into()],
        };
        let text = text(&mail(&letter(), "a@saltmarsh.example", sender, Some(&answered)).unwrap());
        let unfolded = text.replace("\r\n ", " ");
        assert!(unfolded.contains("In-Reply-To: <r1@phone.exampleBcc:evil@example.org>"), "{unfolded}");
        assert!(unfolded.contains("References: <first@saltmarsh.example> <r1@phone."), "{unfolded}");
        assert!(unfolded.contains("Auto-Submitted: auto-replied"), "{unfolded}");
        assert!(unfolded.contains("Reply-To: answers@saltmarsh.example"), "{unfolded}");
        assert!(!text.lines().any(|line| line.starts_with("Bcc")), "{text}");
    }
}
