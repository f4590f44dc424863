//! A disk that can be filled: a file system in memory of a few megabytes, mounted for one
//! test. Needs root.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Unmounted when dropped.
pub struct SmallDisk {
    path: PathBuf,
}

impl SmallDisk {
    /// Mounts `megabytes` at `path`.
    pub fn mount(path: &Path, megabytes: u32) -> SmallDisk {
        std::fs::create_dir_all(path).expect("the folder can be made");
        let size = format!("size={megabytes}m");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(path).status();
        let mounted = mounted.expect("mount runs (apt install mount)");
        assert!(mounted.success(), "a file system in memory could be mounted: this test needs root");
        SmallDisk { path: path.to_owned() }
    }

    /// Fills it to the last byte.
    pub fn fill(&self) {
        let mut filler = std::fs::File::create(self.path.join("filler")).expect("room for a name");
        let block = [7u8; 4096];
        while filler.write_all(&block).is_ok() {}
    }

    /// Gives the room back.
    pub fn empty(&self) {
        std::fs::remove_file(self.path.join("filler")).expect("it was filled");
    }

    /// Lets nobody write any more, or again.
    pub fn set_read_only(&self, read_only: bool) {
        let option = if read_only { "remount,ro" } else { "remount,rw" };
        let done = Command::new("mount").args(["-o", option]).arg(&self.path).status().expect("mount runs");
        assert!(done.success(), "{option} works while nobody writes");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a daemon of a failing test may still hold it.
        let _ = Command::new("umount").arg("-l").arg(&self.path).status();
    }
}
