//! The one line of a password file.

use std::path::Path;

/// A password file is one line; a larger file is the wrong one.
const LARGEST: u64 = 4096;

/// The password that a file holds, read at each use, so that one that was corrected needs no
/// restart.
///
/// # Errors
/// A sentence that names the file and what is wrong with it.
pub(crate) fn password_in(file: &Path) -> Result<String, String> {
    let problem = |cause: String| format!("the password file {} {cause}", file.display());
    let size = std::fs::metadata(file).map_err(|cause| problem(format!("cannot be read: {cause}")))?.len();
    if size > LARGEST {
        return Err(problem(format!("has {size} bytes; it should hold one line")));
    }
    let text = std::fs::read_to_string(file).map_err(|cause| problem(format!("cannot be read: {cause}")))?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(problem("is empty; its first line should be the password".to_owned())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_the_first_line_of_a_small_file() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("mail.password");
        let holding = |text: &str| {
            std::fs::write(&file, text).unwrap();
            password_in(&file).map_err(|why| why.replace(&file.display().to_string(), "F"))
        };
        assert_eq!(holding("basil and dill\nnotes\n"), Ok("basil and dill".to_owned()));
        let wrong = "the password file F is empty; its first line should be the password";
        assert_eq!((holding(""), holding("\nbasil\n")), (Err(wrong.to_owned()), Err(wrong.to_owned())));
        assert_eq!(holding(&"b".repeat(4096)), Ok("b".repeat(4096)));
        let large = "the password file F has 4097 bytes; it should hold one line";
        assert_eq!(holding(&"b".repeat(4097)), Err(large.to_owned()));
        std::fs::remove_file(&file).unwrap();
        assert!(password_in(&file).unwrap_err().contains("cannot be read"));
    }
}
