//! `pair`: a link and a QR code by which one phone may open the round sheet; the list of
//! phones that may, and taking one off it.

use super::{Answer, Failure, Outcome, print, settings};
use crate::clock::Clock;
use crate::page::link::{self, Reached};
use crate::page::{pairing, qr, secrets};
use crate::report::formatted;
use crate::store::Phones;
use clap::Args;
use std::path::Path;

#[derive(Args)]
pub(crate) struct Pair {
    /// List the phones that may open the sheet instead.
    #[arg(long, conflicts_with = "forget")]
    list: bool,
    /// Take the phone of this name off the list instead; it is shown nothing any more.
    #[arg(long, value_name = "NAME")]
    forget: Option<String>,
}

impl Pair {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let mut phones = Phones::open(&config.store.path)?;
        if self.list {
            return list(&phones, &config.rules.site);
        }
        if let Some(name) = self.forget {
            return forget(&mut phones, &name);
        }
        let address = match link::reached(&config.page) {
            Reached::At(address) => address,
            Reached::OnlyHere(address) => {
                print(&format!(
                    "Phones cannot reach the sheet: it is served to this machine alone, at {address}/ where nobody \
                     needs to be paired.\nFor phones write this into the settings, reload, and run pair again:\n\n  \
                     [page]\n  listen = \"0.0.0.0:8460\""
                ))?;
                return Ok(Answer::No);
            }
            Reached::Nowhere => {
                print("There is no sheet to open: [page] listen is \"off\" in the settings.")?;
                return Ok(Answer::No);
            }
        };
        let no_randomness =
            || Failure::Sentence("this machine has no randomness to give just now; try again".to_owned());
        let code = secrets::secret().ok_or_else(no_randomness)?;
        let now = Clock::system().now();
        let until = now + pairing::LINK_WORKS_FOR;
        phones.offer(&secrets::hashed(&code), now, until)?;
        let link = format!("{address}/pair?code={code}");
        let code = qr::terminal(&link).unwrap_or_default();
        let until = until.with_timezone(&config.rules.site.time_zone).format("%H:%M");
        print(&format!(
            "{code}\nPoint the phone's camera at the code, or open this link on it. It pairs one phone, once, until \
             {until}:\n\n  {link}\n\nIt is plain HTTP for your own network: never let it be reached from the internet."
        ))?;
        Ok(Answer::Yes)
    }
}

fn list(phones: &Phones, site: &crate::engine::rules::Site) -> Outcome {
    let all = phones.list()?;
    if all.is_empty() {
        print("No phone is paired. `traywarden pair` pairs one.")?;
        return Ok(Answer::No);
    }
    for phone in all {
        let (paired, seen) = (formatted::dated(site, phone.paired_at), formatted::dated(site, phone.seen_at));
        print(&format!("{}: paired {paired}, last here {seen}", phone.name))?;
    }
    Ok(Answer::Yes)
}

fn forget(phones: &mut Phones, name: &str) -> Outcome {
    if phones.unpair(name)? {
        print(&format!("{name} is unpaired and is shown nothing any more."))?;
        Ok(Answer::Yes)
    } else {
        print(&format!("No phone is called \"{name}\". `traywarden pair --list` shows their names."))?;
        Ok(Answer::No)
    }
}
