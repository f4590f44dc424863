//! Fuzz targets: whatever bytes come in from outside are answered, never with a panic and
//! never with a value that cannot be. Each target mutates texts that are right; the same
//! seed gives the same inputs on every machine.
//!
//! In the full run each takes about a second. By hand, as long as you like:
//! `FUZZ=10000000 cargo test --release --test fuzz -- --nocapture --test-threads=1`;
//! `SEED=n` begins elsewhere. A panic prints the input that caused it: make a plain test
//! of it beside the code before you mend it.

mod kept_state;
mod mutation;
mod targets;

use mutation::Mutator;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Instant;

/// Tries `input` on `share` of the wanted number of mutants: slow targets take a smaller one.
fn fuzz(name: &str, share: u64, corpus: &[&[u8]], tokens: &[&str], target: impl Fn(&[u8])) {
    let number = |variable: &str| std::env::var(variable).ok().and_then(|text| text.parse::<u64>().ok());
    let inputs = (number("FUZZ").unwrap_or(100_000) / share).max(1);
    let seed = number("SEED").unwrap_or(0x5eed);
    let mut mutator = Mutator::new(seed, corpus, tokens);
    #[expect(clippy::disallowed_methods, reason = "a figure for whoever runs it by hand")]
    let begun = Instant::now();
    for input in corpus {
        target(input);
    }
    for nth in 0..inputs {
        let input = mutator.next();
        if let Err(panic) = catch_unwind(AssertUnwindSafe(|| target(input))) {
            println!("{name}: input {nth} of SEED={seed} is not answered:");
            println!("{}", input.escape_ascii());
            std::panic::resume_unwind(panic);
        }
    }
    let seconds = begun.elapsed().as_secs_f64();
    println!("{name}: {inputs} inputs in {seconds:.1} s, {:.0} a second", inputs as f64 / seconds);
}
