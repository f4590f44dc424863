//! traywarden
fn main() {}
