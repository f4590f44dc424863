//! What people type, wherever they type it: an entry of the journal and a span of time, in
//! a shell, in a reply to a letter or on a tablet. Pure: words in, values out.

pub(crate) mod amount;
pub(crate) mod blend;
pub mod entry;
pub mod names;
pub mod object;
pub mod span;
