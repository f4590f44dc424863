//! What the writer asks of the kernel, as `strace` writes it down.

use crate::writer;
use std::collections::BTreeMap;
use std::path::Path;

/// One call that changes what a card holds, or a word of the writer.
#[derive(Clone, Debug)]
pub enum Call {
    /// A name in the folder that may not have been there.
    Opened { name: String, emptied: bool },
    /// Bytes at a place of a file.
    Wrote { name: String, at: usize, bytes: Vec<u8> },
    /// A file is made so long.
    Cut { name: String, length: usize },
    /// A name is gone.
    Removed { name: String },
    /// A file is to be on the card when this returns.
    Flushed { name: String },
    /// So is the list of names.
    FolderFlushed,
    /// The writer said that a batch is kept.
    Acknowledged,
}

/// Everything one undisturbed writer does.
pub fn traced() -> Vec<Call> {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("traywarden.db");
    let calls = "trace=openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename,fallocate";
    let ended = writer::run_under(&["-y", "-x", "-s", "10000000", "-e", calls], &store);
    assert!(ended.finished, "the writer ends well: {:?}", ended.errors);
    let trace = std::fs::read_to_string(folder.path().join("trace")).unwrap();
    let calls: Vec<Call> = trace.lines().filter_map(|line| call(line, folder.path())).collect();
    let acknowledged = calls.iter().filter(|call| matches!(call, Call::Acknowledged)).count();
    assert_eq!(acknowledged, writer::BATCHES);
    calls
}

fn call(line: &str, folder: &Path) -> Option<Call> {
    let (_, line) = line.split_once(' ')?;
    let line = line.trim_start();
    let (word, rest) = line.split_once('(')?;
    let of_folder = format!("<{}>", folder.display());
    let name = || {
        let start = format!("{}/", folder.display());
        let from = rest.find(&start)? + start.len();
        let name: String = rest[from..].chars().take_while(|sign| !"\">".contains(*sign)).collect();
        // Memory that processes share, and what the tracer writes, are nothing a card holds.
        (!name.ends_with("-shm") && name != "trace").then_some(name)
    };
    let arguments = rest.rsplit_once(") = ").map_or(rest, |(arguments, _)| arguments);
    assert!(!line.contains("unfinished") || name().is_none(), "one thread writes: {line:.200}");
    let last_number = || arguments.rsplit(", ").next()?.parse::<usize>().ok();
    match word {
        "write" if rest.contains("\"acknowledged\\n\"") => Some(Call::Acknowledged),
        "openat" if rest.contains("O_CREAT") => Some(Call::Opened { name: name()?, emptied: rest.contains("O_TRUNC") }),
        "pwrite64" => Some(Call::Wrote { name: name()?, at: last_number()?, bytes: text(arguments)? }),
        "ftruncate" => Some(Call::Cut { name: name()?, length: last_number()? }),
        "unlink" => Some(Call::Removed { name: name()? }),
        "fsync" | "fdatasync" if rest.contains(&of_folder) => Some(Call::FolderFlushed),
        "fsync" | "fdatasync" => Some(Call::Flushed { name: name()? }),
        "write" | "rename" | "fallocate" => {
            assert!(name().is_none(), "the store does not ask for this: {line:.200}");
            None
        }
        _ => None,
    }
}

/// What stands between the quotes: hexadecimal throughout, or, where every byte happens to be
/// printable (the four of a nonce may be), plain with C's escapes.
fn text(arguments: &str) -> Option<Vec<u8>> {
    let quoted = &arguments[arguments.find('"')? + 1..arguments.rfind('"')?];
    if let Some(hexadecimal) = quoted.strip_prefix("\\x") {
        return hexadecimal.split("\\x").map(|byte| u8::from_str_radix(byte, 16).ok()).collect();
    }
    let mut bytes = Vec::new();
    let mut signs = quoted.bytes();
    while let Some(sign) = signs.next() {
        bytes.push(match sign {
            b'\\' => match signs.next()? {
                b'n' => b'\n',
                b't' => b'\t',
                b'r' => b'\r',
                b'v' => 0x0B,
                b'f' => 0x0C,
                escaped @ (b'"' | b'\\') => escaped,
                _ => panic!("an escape that no printable byte has: {quoted:.200}"),
            },
            plain => plain,
        });
    }
    Some(bytes)
}

#[test]
fn four_bytes_that_happen_to_be_printable_are_read_as_they_were_written() {
    for (written, bytes) in [
        (r#"3</a/b>, "~\"R/", 4, 12"#, &b"~\"R/"[..]),
        (r#"3</a/b>, "\\\t\r\n", 4, 12"#, b"\\\t\r\n"),
        (r#"3</a/b>, "\v\fx1", 4, 12"#, b"\x0b\x0cx1"),
        (r#"3</a/b>, "\x00\x78\x22\x5c", 4, 12"#, b"\x00x\"\\"),
    ] {
        assert_eq!(text(written).as_deref(), Some(bytes), "{written}");
    }
}

/// A call, the error it fails with, and the which of its kind it is.
pub type Failure = (String, &'static str, u32);

/// Each call of the writer on its store that can fail, in each way it can.
pub fn errors_of_a_commit() -> Vec<Failure> {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("traywarden.db");
    let ended = writer::run(&store, &["-e".to_owned(), "trace=%file,%desc".to_owned()]);
    assert!(ended.finished, "the writer ends well: {:?}", ended.errors);
    let trace = std::fs::read_to_string(folder.path().join("trace")).unwrap();
    let mut counts: BTreeMap<String, u32> = BTreeMap::new();
    for line in trace.lines() {
        let word = line.split_once(' ').and_then(|(_, line)| line.trim_start().split_once('('));
        if let Some((word, _)) = word {
            *counts.entry(word.to_owned()).or_default() += 1;
        }
    }
    let mut all = Vec::new();
    for (call, count) in counts {
        let errors: &[&str] = match call.as_str() {
            "pwrite64" => &["EIO", "ENOSPC"],
            "fsync" | "fdatasync" | "ftruncate" | "pread64" | "unlink" | "fcntl" => &["EIO"],
            "openat" => &["EIO", "ENFILE"],
            "mmap" => &["ENOMEM"],
            // What SQLite and the shells ask of files beside these changes and reads nothing.
            _ => &[],
        };
        for error in errors {
            all.extend((1..=count).map(|nth| (call.clone(), *error, nth)));
        }
    }
    all
}
