//! Files that a verb writes on request: whole or not at all, never through a link, and
//! never over a file that is there unless that was asked for.

use super::Failure;
use clap::Args;
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Whether a file that is there may go.
#[derive(Args, Clone, Copy, Debug, Default)]
pub(super) struct Replace {
    /// Replace a file of that name if there is one.
    #[arg(long)]
    force: bool,
}

impl Replace {
    /// Refuses a name that is taken, or that leads elsewhere.
    ///
    /// # Errors
    /// A sentence with the name and what to do.
    pub(super) fn may_write(self, file: &Path) -> Result<(), Failure> {
        let Ok(found) = std::fs::symlink_metadata(file) else { return Ok(()) };
        let shown = file.display();
        if !found.is_file() && !found.is_symlink() {
            return Err(Failure::Usage(format!("{shown} is there and is no ordinary file; give another name")));
        }
        if self.force {
            return Ok(());
        }
        let is = if found.is_symlink() { "a link that would be replaced" } else { "there already" };
        Err(Failure::Usage(format!("{shown} is {is}; give another name, or --force to replace it")))
    }

    /// Writes `bytes` beside the name and gives them the name when they are whole.
    ///
    /// # Errors
    /// See [`Replace::may_write`], and what the system says.
    pub(super) fn write(self, file: &Path, bytes: &[u8]) -> Result<(), Failure> {
        self.fill(file, |out| out.write_all(bytes).map_err(Failure::system(format!("write {}", file.display()))))
    }

    /// The same for what is written piece by piece.
    ///
    /// # Errors
    /// See [`Replace::write`], and the errors of `fill`.
    pub(super) fn fill(self, file: &Path, fill: impl FnOnce(&mut File) -> Result<(), Failure>) -> Result<(), Failure> {
        self.may_write(file)?;
        let part = part_of(file);
        let doing = || Failure::system(format!("write {}", part.display()));
        // A link of that name is not followed.
        let mut out = OpenOptions::new().write(true).create_new(true).open(&part).map_err(doing())?;
        let filled =
            fill(&mut out).and_then(|()| out.sync_all().map_err(doing())).and_then(|()| self.finish(&part, file));
        if filled.is_err() {
            // Best effort: the error of the writing is what matters.
            let _ = std::fs::remove_file(&part);
        }
        filled
    }

    /// Gives a whole file its name.
    ///
    /// # Errors
    /// See [`Replace::may_write`], and what the system says.
    pub(super) fn finish(self, part: &Path, file: &Path) -> Result<(), Failure> {
        self.may_write(file)?;
        // A link of that name goes; what it leads to stays.
        std::fs::rename(part, file).map_err(Failure::system(format!("write {}", file.display())))
    }
}

/// What is not whole yet lies here: in the same folder, under a name of this process.
pub(super) fn part_of(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn formatted(outcome: Result<(), Failure>) -> String {
        match outcome {
            Err(Failure::Usage(sentence)) => sentence,
            Err(_) => panic!("another failure"),
            Ok(()) => panic!("it was written"),
        }
    }

    #[test]
    fn a_file_that_is_there_stays_unless_force_is_given() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("k12.html");
        std::fs::write(&file, "mine").unwrap();
        let sentence = formatted(Replace { force: false }.write(&file, b"new"));
        assert!(sentence.contains("k12.html") && sentence.contains("--force"), "{sentence}");
        assert_eq!(std::fs::read(&file).unwrap(), b"mine");
        assert!(Replace { force: true }.write(&file, b"new").is_ok());
        assert_eq!(std::fs::read(&file).unwrap(), b"new");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
    }

    #[test]
    fn nothing_is_written_through_a_link_whether_it_leads_anywhere_or_not() {
        let folder = tempfile::tempdir().unwrap();
        let (precious, link) = (folder.path().join("precious"), folder.path().join("link"));
        std::os::unix::fs::symlink(&precious, &link).unwrap();
        assert!(formatted(Replace { force: false }.write(&link, b"new")).contains("link"));
        assert!(!precious.exists());
        std::fs::write(&precious, "mine").unwrap();
        assert!(Replace { force: true }.write(&link, b"new").is_ok());
        assert_eq!(std::fs::read(&precious).unwrap(), b"mine", "the link went, not what it led to");
        assert_eq!(std::fs::read(&link).unwrap(), b"new");
    }

    #[test]
    fn a_device_or_a_folder_is_never_replaced() {
        let folder = tempfile::tempdir().unwrap();
        for name in [Path::new("/dev/null"), folder.path()] {
            assert!(formatted(Replace { force: true }.write(name, b"new")).contains("no ordinary file"));
        }
    }
}
