//! What the check finds on this machine: password files, the store and its disk, whether the
//! daemon runs.

use super::point::CheckPoint;
use crate::cli::present::{self, Present};
use crate::cli::run::listen_for;
use crate::cli::{Answer, Failure};
use crate::config::Config;
use crate::store;
use rustix::fs::{Access, access, statvfs};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use tokio::runtime::Runtime;
use tokio::signal::unix::SignalKind;

/// The user of the shipped unit.
const DAEMON_USER: &str = "traywarden";
/// Where systemd hands the unit copies of passwords, and where the originals lie.
const HANDED_OVER: &str = "/run/credentials/";
const ORIGINALS: &str = "/etc/traywarden";
/// What the shipped unit names in `LoadCredential=`.
const CREDENTIALS: [&str; 3] = ["mqtt.password", "mail.password", "answers.password"];
/// Told beforehand, so that the check that becomes another user does so once.
const LOOKED_AS: &str = "TRAYWARDEN_CHECK_AS";
/// And where the copies of passwords lie for it.
const COPIES_IN: &str = "TRAYWARDEN_CHECK_COPIES";
/// Below this the disk is nearly full. Own default.
const FREE_PERCENT: u64 = 10;

/// With whose eyes it is looked.
pub(super) enum Eyes {
    /// As whoever started it.
    Ours,
    /// As the daemon's user, whose name this is.
    Daemons(String),
    /// Another process looked as the daemon's user; its answer.
    Closed(Answer),
}

/// Root may read everything, so root's check is done over by a process of the daemon's user,
/// where there is one. Like systemd, it hands that process copies of the passwords that only
/// root may read.
///
/// # Errors
/// When the system refuses what is needed for it.
pub(super) fn look_as_the_daemon(config: &Config, runtime: &Runtime) -> Result<Eyes, Failure> {
    if let Ok(user) = std::env::var(LOOKED_AS) {
        return Ok(Eyes::Daemons(user));
    }
    let is_root = rustix::process::geteuid().is_root();
    let daemon = ids_of(DAEMON_USER, &std::fs::read_to_string("/etc/passwd").unwrap_or_default());
    let Some((user, group)) = daemon.filter(|_| is_root) else { return Ok(Eyes::Ours) };
    let program = std::env::current_exe().map_err(Failure::system("find this program".to_owned()))?;
    // Who breaks it off still gets the copies cleared away: the other process ends, then this one.
    let _entered = runtime.enter();
    let _kept = (listen_for(SignalKind::interrupt())?, listen_for(SignalKind::terminate())?);
    let copies = Copies::of(config, user, group)?;
    let looked = Command::new(program)
        .args(std::env::args_os().skip(1))
        .env(LOOKED_AS, DAEMON_USER)
        .env(COPIES_IN, &copies.0)
        .uid(user)
        .gid(group)
        .status();
    match looked {
        Ok(status) if status.success() => Ok(Eyes::Closed(Answer::Yes)),
        Ok(_) => Ok(Eyes::Closed(Answer::No)),
        Err(error) => {
            eprintln!("note: the user {DAEMON_USER} cannot run this program ({error}), so it is looked at as root");
            Ok(Eyes::Ours)
        }
    }
}

/// The settings with the copies of the passwords in place of those that systemd will hand over.
pub(super) fn with_copies(config: &Config) -> Config {
    let mut config = config.clone();
    if let Some(folder) = std::env::var_os(COPIES_IN) {
        for file in password_files(&mut config) {
            let copy = Path::new(&folder).join(file.file_name().unwrap_or_default());
            if file.starts_with(HANDED_OVER) && copy.exists() {
                *file = copy;
            }
        }
    }
    config
}

fn password_files(config: &mut Config) -> impl Iterator<Item = &mut PathBuf> {
    let mail = &mut config.mail;
    let smtp = mail.smtp.iter_mut().filter_map(|smtp| smtp.password_file.as_mut());
    let answers = mail.answers.iter_mut().map(|answers| &mut answers.password_file);
    config.broker.password_file.iter_mut().chain(smtp).chain(answers)
}

/// A folder of the daemon's user with copies of passwords; gone when this is dropped.
struct Copies(PathBuf);

impl Copies {
    fn of(config: &Config, user: u32, group: u32) -> Result<Copies, Failure> {
        let parent = if Path::new("/run").is_dir() { PathBuf::from("/run") } else { std::env::temp_dir() };
        let copies = Copies(parent.join(format!("traywarden-check-{}", std::process::id())));
        let written = |what: &Path| Failure::system(format!("write {}", what.display()));
        std::fs::DirBuilder::new().mode(0o700).create(&copies.0).map_err(written(&copies.0))?;
        for file in password_files(&mut config.clone()).filter(|file| file.starts_with(HANDED_OVER)) {
            let Some(name) = file.file_name() else { continue };
            // One that is not there is told by the look itself.
            let Ok(secret) = std::fs::read(Path::new(ORIGINALS).join(name)) else { continue };
            let copy = copies.0.join(name);
            let made = std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o400).open(&copy);
            made.and_then(|mut made| made.write_all(&secret)).map_err(written(&copy))?;
            chown(&copy, Some(user), Some(group)).map_err(written(&copy))?;
        }
        chown(&copies.0, Some(user), Some(group)).map_err(written(&copies.0))?;
        Ok(copies)
    }
}

impl Drop for Copies {
    fn drop(&mut self) {
        if let Err(error) = std::fs::remove_dir_all(&self.0) {
            eprintln!("note: {} holds copies of passwords and could not be taken away: {error}", self.0.display());
        }
    }
}

/// User and group of a name in passwd(5).
fn ids_of(name: &str, passwd: &str) -> Option<(u32, u32)> {
    let fields: Vec<&str> = passwd.lines().map(|line| line.split(':').collect()).find(|f: &Vec<&str>| f[0] == name)?;
    Some((fields.get(2)?.parse().ok()?, fields.get(3)?.parse().ok()?))
}

/// What the store knows of the room, if it can be opened.
pub(super) fn past(config: &Config) -> Option<Present> {
    present::open(config).ok()
}

/// Everything that lies on this machine.
pub(super) fn look(config: &Config) -> Vec<CheckPoint> {
    let smtp = config.mail.smtp.as_ref().and_then(|smtp| smtp.password_file.as_deref());
    let answers = config.mail.answers.as_ref().map(|answers| answers.password_file.as_path());
    // One mailbox's password often serves for letters and answers.
    let mut passwords: Vec<&Path> =
        [config.broker.password_file.as_deref(), smtp, answers].into_iter().flatten().collect();
    passwords.dedup();
    let mut points: Vec<CheckPoint> = passwords.into_iter().map(password).collect();
    let tls = config.broker.tls.iter().flat_map(|tls| [&tls.ca_file, &tls.certificate_file, &tls.key_file]);
    let mail_ca = config.mail.smtp.iter().map(|smtp| &smtp.ca_file);
    points.extend(tls.chain(mail_ca).flatten().filter_map(|file| unreadable(file)));
    let keys = config.broker.tls.iter().filter_map(|tls| tls.key_file.as_deref());
    points.extend(keys.filter(|key| is_open(key)).map(open_secret));
    points.push(the_store(config));
    points.extend(disk(&config.store.path));
    points.push(match store::is_watched(&config.store.path) {
        true => CheckPoint::Well("The daemon is running.".to_owned()),
        false => CheckPoint::Mend(
            "The daemon is not running, so nobody watches.".to_owned(),
            "Start it: systemctl enable --now traywarden".to_owned(),
        ),
    });
    points
}

fn password(file: &Path) -> CheckPoint {
    let shown = file.display();
    if let (true, Some(name)) = (file.starts_with(HANDED_OVER), file.file_name()) {
        let original = Path::new(ORIGINALS).join(name);
        return match original.metadata() {
            Ok(found) if found.len() > 0 => {
                CheckPoint::Well(format!("The password for {shown} lies in {}.", original.display()))
            }
            Ok(_) => CheckPoint::Mend(
                format!("{} is empty.", original.display()),
                "Put the password alone on its first line.".to_owned(),
            ),
            Err(_) => CheckPoint::Mend(
                format!("There is no password for {shown}."),
                format!(
                    "Put it alone into {}, readable to root only; systemd hands the daemon a copy.",
                    original.display()
                ),
            ),
        };
    }
    match std::fs::read_to_string(file) {
        Ok(text) if text.lines().next().is_none_or(str::is_empty) => CheckPoint::Mend(
            format!("The password file {shown} is empty."),
            "Put the password alone on its first line.".to_owned(),
        ),
        Ok(_) if is_open(file) => open_secret(file),
        Ok(_) => CheckPoint::Well(format!("The password file {shown} can be read.")),
        Err(error) => cannot_read(file, &error),
    }
}

/// Whether others on this machine than its owner and group may read or change it.
fn is_open(file: &Path) -> bool {
    file.metadata().is_ok_and(|found| found.permissions().mode() & 0o007 != 0)
}

fn open_secret(file: &Path) -> CheckPoint {
    let shown = file.display();
    CheckPoint::Mend(
        format!("{shown} can be read or changed by others on this machine."),
        format!("Close it: chmod 600 {shown}"),
    )
}

fn unreadable(file: &Path) -> Option<CheckPoint> {
    std::fs::File::open(file).err().map(|error| cannot_read(file, &error))
}

fn cannot_read(file: &Path, error: &std::io::Error) -> CheckPoint {
    let shown = file.display();
    let handed_over = file.file_name().filter(|name| is_handed_over(file, name));
    let remedy = match error.kind() {
        std::io::ErrorKind::PermissionDenied if handed_over.is_some() => format!(
            "Leave it to root and let the settings name the copy that systemd hands the daemon: \
             password_file = \"{}\"",
            copy_of(file).display()
        ),
        std::io::ErrorKind::NotFound => "Make it, or correct its name in the settings.".to_owned(),
        std::io::ErrorKind::PermissionDenied => format!("Give it to the daemon's user: chown {DAEMON_USER} {shown}"),
        _ => "Look at the file.".to_owned(),
    };
    CheckPoint::Mend(format!("{shown} cannot be read: {error}."), remedy)
}

/// Whether the shipped unit hands the daemon a copy of this password.
fn is_handed_over(file: &Path, name: &std::ffi::OsStr) -> bool {
    file.parent() == Some(Path::new(ORIGINALS)) && CREDENTIALS.iter().any(|known| name == *known)
}

/// Where the daemon finds its copy of a password of [`ORIGINALS`]; other files stay where they are.
fn copy_of(file: &Path) -> PathBuf {
    match file.file_name().filter(|name| is_handed_over(file, name)) {
        Some(name) => Path::new(HANDED_OVER).join("traywarden.service").join(name),
        None => file.to_owned(),
    }
}

/// How settings name a password file, so that the daemon can read it.
pub(in crate::cli) fn named_for_the_daemon(file: &Path) -> PathBuf {
    if unit_is_installed() { copy_of(file) } else { file.to_owned() }
}

fn the_store(config: &Config) -> CheckPoint {
    let path = &config.store.path;
    let shown = path.display();
    let may_write = |path: &Path| access(path, Access::WRITE_OK).is_ok();
    match present::open(config) {
        Ok(_) if may_write(path) => CheckPoint::Well(format!("The store {shown} is there and may be written.")),
        Ok(_) => CheckPoint::Mend(
            format!("The store {shown} may not be written by this user."),
            format!("Give it back to the daemon's user: chown -R {DAEMON_USER}: {}", folder_of(path).display()),
        ),
        Err(Failure::Store(store::StoreError::Missing { .. })) => {
            let mut folder = folder_of(path);
            while !folder.exists() && folder.parent().is_some() {
                folder = folder.parent().map(Path::to_owned).unwrap_or_default();
            }
            if may_write(&folder) || (path.starts_with("/var/lib/traywarden") && unit_is_installed()) {
                CheckPoint::Well(format!("There is no store at {shown} yet; the first start makes it."))
            } else {
                CheckPoint::Mend(
                    format!("There is no store at {shown}, and this user may not make one in {}.", folder.display()),
                    format!("Run this as the daemon's user ({DAEMON_USER}), or give it the folder."),
                )
            }
        }
        Err(error) => CheckPoint::Mend(
            format!("The store cannot be used: {error}."),
            "See [store] path in the settings.".to_owned(),
        ),
    }
}

fn unit_is_installed() -> bool {
    ["/usr/lib/systemd/system", "/lib/systemd/system", "/etc/systemd/system"]
        .iter()
        .any(|folder| Path::new(folder).join("traywarden.service").exists())
}

fn folder_of(path: &Path) -> PathBuf {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new(".")).to_owned()
}

/// Nothing where the folder does not stand yet.
fn disk(path: &Path) -> Option<CheckPoint> {
    let disk = statvfs(folder_of(path)).ok()?;
    let free = disk.f_bavail * 100 / disk.f_blocks.max(1);
    let gigabytes = disk.f_bavail as f64 * disk.f_frsize as f64 / 1e9;
    Some(if free < FREE_PERCENT {
        CheckPoint::Mend(
            format!("The disk of the store is nearly full: {free} % free, {gigabytes:.1} GB."),
            "Make room, or let keep_readings be shorter.".to_owned(),
        )
    } else {
        CheckPoint::Well(format!("The disk of the store has {gigabytes:.1} GB free."))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_daemon_s_user_is_found_in_passwd() {
        let passwd = "root:x:0:0:root:/root:/bin/bash\ntraywarden:x:998:997::/var/lib/traywarden:/usr/sbin/nologin\n";
        assert_eq!(ids_of("traywarden", passwd), Some((998, 997)));
        assert_eq!(ids_of("nobody", passwd), None);
    }

    #[test]
    fn a_password_file_that_cannot_serve_says_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("mail.password");
        assert!(
            matches!(password(&file), CheckPoint::Mend(what, remedy) if what.contains("cannot be read") && remedy.contains("Make it"))
        );
        std::fs::write(&file, "\n").unwrap();
        assert!(matches!(password(&file), CheckPoint::Mend(what, _) if what.contains("is empty")));
        std::fs::write(&file, "sesame\n").unwrap();
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(password(&file), CheckPoint::Mend(_, remedy) if remedy.starts_with("Close it: chmod 600")));
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
        assert!(matches!(password(&file), CheckPoint::Well(_)));
        let original = Path::new("/etc/traywarden/mqtt.password");
        assert_eq!(copy_of(original), Path::new("/run/credentials/traywarden.service/mqtt.password"));
        let forbidden = std::io::Error::from(std::io::ErrorKind::PermissionDenied);
        let kept = cannot_read(original, &forbidden);
        assert!(
            matches!(&kept, CheckPoint::Mend(_, remedy) if remedy.contains("/run/credentials/traywarden.service/mqtt.password")),
            "{kept:?}"
        );
        let other = cannot_read(Path::new("/srv/mqtt.password"), &forbidden);
        assert!(
            matches!(&other, CheckPoint::Mend(_, remedy) if remedy.starts_with("Give it to the daemon's user")),
            "{other:?}"
        );
        let unit = include_str!("../../../systemd/traywarden.service");
        for name in CREDENTIALS {
            assert!(unit.contains(&format!("LoadCredential={name}:{ORIGINALS}/{name}")), "{name}");
        }
        let handed = password(Path::new("/run/credentials/traywarden.service/no-such.password"));
        assert!(matches!(handed, CheckPoint::Mend(_, remedy) if remedy.contains("/etc/traywarden/no-such.password")));
    }
}
