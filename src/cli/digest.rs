//! `digest`: the daily letter as it would be written now. Nothing is sent or changed.

use super::file::Replace;
use super::{Answer, Failure, Outcome, present, print, settings};
use crate::daemon;
use crate::engine::event::{LetterFacts, LetterKind};
use crate::marks::MarkKey;
use crate::notify::carrier::Carrier;
use crate::notify::postman::Postman;
use crate::notify::wording;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Digest {
    /// Also write it as an .eml file, charts and all.
    #[arg(long, value_name = "FILE")]
    eml: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
}

impl Digest {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let present = present::open(&config)?;
        present::warn_if_quiet(&present);
        let digest = present.engine.digest_facts(false);
        let pictures =
            if self.eml.is_some() { daemon::day_pictures(&present.reader, &config.rules, &digest) } else { Vec::new() };
        let facts = LetterFacts {
            id: format!("digest-preview-{}", present.now.timestamp()),
            at: present.now,
            kind: LetterKind::Digest,
            answers: None,
            situations: Vec::new(),
            no_longer: Vec::new(),
            digest: Some(Box::new(digest)),
        };
        let letter = wording::letter(&facts, &config.rules, pictures, &wording::Answering::default());
        print(&format!("Subject: {}\n\n{}", letter.subject, letter.text))?;
        if let Some(file) = self.eml {
            let postman = Postman::new(&config.mail, &config.rules.site.name, &MarkKey::unanswerable());
            let mails = postman.letter(&letter);
            let mail = mails.first().ok_or_else(|| Failure::Sentence("no recipient in [mail].to".into()))?;
            self.replace.write(&file, &mail.bytes)?;
        }
        Ok(Answer::Yes)
    }
}
