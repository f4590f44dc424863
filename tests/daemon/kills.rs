//! Killed again and again at random points, while sensors say the same things over and over:
//! every message is one reading, and alarms and letters are those of a daemon that nobody
//! disturbed. `KILLS=1000` kills as often (twenty minutes), `SEED=7` at other points.

use crate::mail_server::MailServer;
use crate::room::{Room, broker, open_read_only, publish, wait_for};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use traywarden::random::SplitMix64;

const EMPTY: &str = "385";
const FULL: &str = "150";

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().unwrap())
}

/// How the tank's alarms changed, and which letters told of them.
fn told_of_the_tank(room: &Room) -> Vec<String> {
    let read = || -> rusqlite::Result<Vec<String>> {
        let store = open_read_only(&room.store)?;
        let mut changes = store.prepare(
            "SELECT kind || ' ' || before || ' -> ' || state FROM alarm WHERE subject = 'tank' AND before <> state
              ORDER BY at, seq, nth",
        )?;
        let mut letters = store.prepare(
            "SELECT 'letter of ' || letter.kind || ' about ' || letter_alarm.kind FROM letter JOIN letter_alarm
                 ON letter_alarm.letter = letter.id WHERE letter_alarm.subject = 'tank' ORDER BY at, letter_alarm.kind",
        )?;
        let changes = changes.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?;
        let letters = letters.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?;
        Ok(changes.into_iter().chain(letters).collect())
    };
    read().unwrap_or_default()
}

/// Sets it when it goes, also with a test that fails.
struct Ends<'f>(&'f AtomicBool);

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

#[test]
fn killed_at_random_points_it_tells_what_an_undisturbed_one_tells() {
    let kills = from_environment("KILLS", 20) as usize;
    let mut random = SplitMix64::new(from_environment("SEED", 1));
    let (killed_broker, calm_broker) = (broker(), broker());
    let (killed_mail, calm_mail) = (MailServer::started("implicit"), MailServer::started("implicit"));
    let mut killed = Room::new(killed_broker.port, Some(&killed_mail));
    let mut calm = Room::new(calm_broker.port, Some(&calm_mail));
    killed.start(&killed_broker);
    calm.start(&calm_broker);
    let (over, published) = (AtomicBool::new(false), AtomicUsize::new(0));
    let port = killed_broker.port;
    std::thread::scope(|scope| {
        let _ends = Ends(&over);
        scope.spawn(|| {
            // Five payloads that come round again and again.
            for round in 0.. {
                if over.load(Ordering::Relaxed) {
                    return;
                }
                let value = |nth| format!("{{\"t\":{}.5,\"h\":55.0}}", 20 + (round + nth) % 5);
                publish(port, &(0..25).map(|nth| ("loft/rack-a/air", value(nth))).collect::<Vec<_>>());
                published.fetch_add(25, Ordering::Relaxed);
                std::thread::sleep(Duration::from_millis(150));
            }
        });
        let mut done = 0;
        // Empty, then full again. Oftener within the half hour, and it would be held for a level
        // that comes and goes.
        for (level, state, kills) in
            [(EMPTY, "-> unacknowledged", kills / 2), (FULL, "-> returned-unacknowledged", kills)]
        {
            // Again and again: a level that leaps is believed when it stays.
            let speak = || {
                for port in [calm_broker.port, port] {
                    publish(port, &[("loft/tank/distance", level.to_owned())]);
                }
            };
            while done < kills {
                std::thread::sleep(Duration::from_millis(random.whole() % 900));
                killed.kill();
                killed.spawn();
                done += 1;
                speak();
            }
            let reached = |room: &Room| {
                let told = told_of_the_tank(room);
                // A tank that is full again before anybody is called calls nobody.
                told.iter().any(|line| line.ends_with(state))
                    && told.iter().any(|line| line.starts_with("letter of alarm"))
            };
            wait_for("both to tell of it", || {
                speak();
                (reached(&calm) && reached(&killed)).then_some(())
            });
        }
    });
    let all = published.load(Ordering::Relaxed) as i64;
    wait_for("the last reading", || (killed.stored("temperature").0 >= all).then_some(()));
    assert_eq!(killed.stored("temperature"), (all, 5), "each message once, however alike they are");
    let expected = told_of_the_tank(&calm);
    assert!(expected.iter().any(|line| line.starts_with("letter of alarm")), "{expected:?}");
    wait_for("the same to be told", || (told_of_the_tank(&killed) == expected).then_some(()));
    let distinct = |mail: &MailServer| {
        let mut ids: Vec<_> = mail.taken().iter().map(|letter| letter["headers"]["Message-ID"].to_string()).collect();
        ids.sort();
        ids.dedup();
        ids.len()
    };
    wait_for("the same letters to arrive", || (distinct(&killed_mail) == distinct(&calm_mail)).then_some(()));
    println!("{kills} kills, {all} messages, {} letters and changes of the tank", expected.len());
}
