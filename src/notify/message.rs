//! From a letter to the finished bytes of one mail to one recipient: MIME parts,
//! thread headers, a Message-ID that is the same at every try.

use super::letter::{ChannelName, Letter, Parcel, ParcelKey};
use crate::config;
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

/// The mails of a letter, one for each recipient of the config. A recipient
/// whose address cannot be used does not take the others down.
pub fn mails(letter: &Letter, settings: &config::Mail, site_name: &str) -> Vec<Result<Parcel, MessageError>> {
    settings.to.iter().map(|recipient| mail(letter, recipient, &settings.from, site_name)).collect()
}

/// The mail of a letter to one recipient: alternative { plain, related { html,
/// pictures } }. The same letter and recipient give the same bytes.
///
/// # Errors
/// When one of the addresses cannot be read.
pub fn mail(letter: &Letter, recipient: &str, sender: &str, site_name: &str) -> Result<Parcel, MessageError> {
    let to = mailbox(recipient)?;
    let mut from = mailbox(sender)?;
    if from.name.is_none() {
        from.name = Some(one_line(site_name)).filter(|name| !name.is_empty());
    }
    let domain = from.email.domain().to_owned();
    let id = message_id(&letter.id, &to, &domain);
    let seed = format!("{:016x}", fingerprint(&id));

    let mut builder = Message::builder()
        .from(from.clone())
        .to(to.clone())
        .subject(one_line(&letter.subject))
        .date(letter.at.into())
        .message_id(Some(id.clone()))
        // RFC 3834 section 5: no vacation reply shall answer it.
        .header(AutoSubmitted);
    if let Some(first) = &letter.answers {
        let parent = message_id(first, &to, &domain);
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
    let key = ParcelKey { letter: letter.id.clone(), channel: ChannelName::Mail, recipient: to.email.to_string() };
    Ok(Parcel { key, bytes: message.formatted() })
}

fn png() -> ContentType {
    ContentType::parse("image/png").expect("image/png is a content type")
}

fn mailbox(address: &str) -> Result<Mailbox, MessageError> {
    let address = one_line(address);
    address.parse().map_err(|cause| MessageError::Address { address, cause })
}

/// Computed from the letter and the recipient, so that a second delivery of the
/// same mail is recognised as such (RFC 5322 section 3.6.4).
fn message_id(letter: &str, recipient: &Mailbox, domain: &str) -> String {
    let readable: String = letter
        .chars()
        .map(|sign| if sign.is_ascii_alphanumeric() || sign == '-' { sign } else { '-' })
        .take(60)
        .collect();
    let exact = fingerprint(&format!("{letter}\n{}", recipient.email));
    format!("<{}.{exact:016x}@{domain}>", readable.trim_matches('-'))
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

#[derive(Clone)]
struct AutoSubmitted;

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(AutoSubmitted)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::LetterKind;
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

    /// The Message-ID, as it stands in the header.
    fn id(mail: &Parcel) -> String {
        let unfolded = text(mail).replace("\r\n ", " ");
        unfolded.lines().find_map(|line| line.strip_prefix("Message-ID: ")).unwrap().to_owned()
    }

    fn text(mail: &Parcel) -> String {
        String::from_utf8(mail.bytes.clone()).unwrap()
    }

    #[test]
    fn the_same_letter_gives_the_same_bytes() {
        let make =
            || mail(&letter(), "grower@saltmarsh.example", "warden@saltmarsh.example", "Saltmarsh Lane").unwrap();
        assert_eq!(make(), make());
    }

    #[test]
    fn each_recipient_has_a_message_id_of_their_own() {
        let make = |to: &str| mail(&letter(), to, "warden@saltmarsh.example", "Saltmarsh Lane").unwrap();
        assert_ne!(id(&make("a@saltmarsh.example")), id(&make("b@saltmarsh.example")));
    }

    #[test]
    fn an_answer_names_the_message_id_of_the_raise_to_the_same_recipient() {
        let raise = mail(&letter(), "a@saltmarsh.example", "warden@saltmarsh.example", "S").unwrap();
        let answer = Letter { id: "later".into(), answers: Some(letter().id), ..letter() };
        let answer = text(&mail(&answer, "a@saltmarsh.example", "warden@saltmarsh.example", "S").unwrap());
        let unfolded = answer.replace("\r\n ", " ");
        assert!(unfolded.contains(&format!("In-Reply-To: {}", id(&raise))), "{unfolded}");
        assert!(unfolded.contains(&format!("References: {}", id(&raise))), "{unfolded}");
    }

    #[test]
    fn line_breaks_in_names_and_subjects_add_no_header() {
        let letter = Letter {
            subject: "x\r\nBcc: evil@example.org".into(),
            answers: Some("y>\r\nBcc: evil@example.org".into()),
            pictures: vec![Picture { name: "a\"\r\nBcc: evil@example.org".into(), png: vec![1] }],
            ..letter()
        };
        let mail =
            mail(&letter, "a@saltmarsh.example", "warden@saltmarsh.example", "S\r\nBcc: evil@example.org").unwrap();
        assert!(!text(&mail).lines().any(|line| line.to_lowercase().starts_with("bcc")), "{}", text(&mail));
    }

    #[test]
    fn an_address_that_is_none_is_named_and_the_others_still_get_their_mail() {
        let settings = config::Mail {
            from: "warden@saltmarsh.example".into(),
            to: vec!["nobody".into(), "grower@saltmarsh.example".into()],
            smtp: None,
            folder: "letters".into(),
        };
        let made = mails(&letter(), &settings, "Saltmarsh Lane");
        assert!(made[0].as_ref().unwrap_err().to_string().contains("\"nobody\""));
        assert!(made[1].is_ok());
    }
}
