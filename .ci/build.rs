//! Sums up the engine's sources and the versions of what it is built with. A state that was
//! kept beside a store (`src/store/state.rs`) holds only for the engine that wrote it: even
//! where it could be read, another one would have seen the same night otherwise.

use std::hash::{DefaultHasher, Hasher};
use std::path::{Path, PathBuf};

fn main() {
    let mut files = vec![PathBuf::from("Cargo.lock")];
    list(Path::new("src/engine"), &mut files);
    files.sort();
    let mut hasher = DefaultHasher::new();
    for file in &files {
        println!("cargo::rerun-if-changed={}", file.display());
        hasher.write(file.to_string_lossy().as_bytes());
        // A file that cannot be read fails the build in better words than ours.
        hasher.write(&std::fs::read(file).unwrap_or_default());
    }
    println!("cargo::rerun-if-changed=src/engine");
    println!("cargo::rustc-env=ENGINE_SOURCES={:016x}", hasher.finish());
}

fn list(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            list(&path, files);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
}
