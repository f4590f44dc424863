//! A card that takes nothing any more while the daemon has its file open: whatever the
//! daemon writes to the store is refused by a tracer between it and the kernel (Debian:
//! strace). A file system cannot be made read-only while somebody writes to it.

use crate::room::{Room, wait_for};
use std::process::{Child, Command, Stdio};

/// The card is well again when this is dropped.
pub struct RefusingCard {
    tracer: Child,
}

impl RefusingCard {
    /// From now on every write to the store of this room fails so ("EROFS", "EIO").
    pub fn begin(room: &Room, error: &str) -> RefusingCard {
        let store = room.store.canonicalize().expect("there is a store");
        let log = format!("{}-wal", store.display());
        let process = room.process().to_string();
        let tracer = Command::new("strace")
            .args(["--quiet=all", "-f", "-o", "/dev/null", "-e", "trace=pwrite64,ftruncate,fallocate"])
            .args(["-e", &format!("inject=pwrite64,ftruncate,fallocate:error={error}"), "-P"])
            .arg(&store)
            .args(["-P", &log, "-p", &process])
            .stdin(Stdio::null())
            .spawn()
            .expect("strace runs (apt install strace)");
        let traced = || {
            let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
            status.lines().any(|line| line.starts_with("TracerPid:") && !line.ends_with("\t0")).then_some(())
        };
        wait_for("the tracer to stand between (strace must be allowed to)", traced);
        RefusingCard { tracer }
    }
}

impl Drop for RefusingCard {
    fn drop(&mut self) {
        // Asked to end it lets go of the daemon; killed it would take the daemon along.
        let _ = Command::new("kill").args(["-INT", &self.tracer.id().to_string()]).status();
        let _ = self.tracer.wait();
    }
}
