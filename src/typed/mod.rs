//! What people type, wherever they type it: an entry of the journal and a span of time, in
//! a shell or in a reply to a letter. Pure: words in, values out.

pub mod entry;
pub mod span;
