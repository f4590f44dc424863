//! The functions of f64 that the hardware or the C library would give. Here they come from
//! `libm`, in Rust, so that a rehearsal gives the same bits on every machine. They are plain
//! functions: a method of the same name would give way to `std`'s without a word wherever
//! another crate of the build brings `std` in (`.clippy.toml` beside this crate refuses those).

pub(crate) use libm::{acos, exp, exp2, hypot, log as ln, pow, rint as round_ties_even, round, sqrt};

/// `x` times itself.
pub(crate) fn square(x: f64) -> f64 {
    x * x
}
