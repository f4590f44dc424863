//! `documents`: man pages and shell completions, made from the very definitions of the verbs.
//! Hidden, because only `deploy/package` asks for them.

use super::{Answer, Failure, Outcome};
use clap::{Args, Command, ValueEnum};
use clap_complete::Shell;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Documents {
    /// The folder they go to; man pages below "man", completions below "completions".
    folder: PathBuf,
}

impl Documents {
    /// `command`: everything that can be typed.
    pub(super) fn run(self, command: Command) -> Outcome {
        let written = |what: &Path| Failure::system(format!("write {}", what.display()));
        let (man, completions) = (self.folder.join("man"), self.folder.join("completions"));
        for folder in [&man, &completions] {
            std::fs::create_dir_all(folder).map_err(written(folder))?;
        }
        // Built first, so that every page knows the options that all verbs share.
        let mut command = command.disable_help_subcommand(true);
        command.build();
        clap_mangen::generate_to(command.clone(), &man).map_err(written(&man))?;
        for shell in Shell::value_variants() {
            clap_complete::generate_to(*shell, &mut command, "traywarden", &completions)
                .map_err(written(&completions))?;
        }
        Ok(Answer::Yes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::Arguments;
    use clap::CommandFactory;

    #[test]
    fn every_verb_has_a_man_page_and_is_completed() {
        let folder = tempfile::tempdir().unwrap();
        let documents = Documents { folder: folder.path().to_owned() };
        assert!(documents.run(Arguments::command()).is_ok());
        let bash = std::fs::read_to_string(folder.path().join("completions/traywarden.bash")).unwrap();
        let verbs: Vec<String> = Arguments::command()
            .get_subcommands()
            .filter(|verb| !verb.is_hide_set())
            .map(|verb| verb.get_name().to_owned())
            .collect();
        assert!(verbs.len() > 10, "{verbs:?}");
        for verb in verbs {
            assert!(folder.path().join(format!("man/traywarden-{verb}.1")).exists(), "{verb}");
            assert!(bash.contains(&format!("traywarden,{verb})")), "{verb}");
        }
    }
}
