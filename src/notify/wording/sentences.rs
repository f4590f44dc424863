//! The sentences of one alarm, as a letter, the lamp and the terminal put them together.

use super::speech::shortened;

/// The caution of everything that speaks of mold (WHO Guidelines for Indoor Air Quality: Dampness and Mould, 2009).
pub(crate) const MOLD_CAUTION: &str = "Computed from room air and your log with field-crop disease models; \
not validated on microgreens; look at the tray.";
/// Names longer than this are cut in a subject line.
const NAME_IN_SUBJECT: usize = 20;

/// The sentences of one alarm, without when and to whom.
#[derive(Default)]
pub(crate) struct AlarmWords {
    /// What and where, the shortest form: a lock screen shows forty characters.
    pub(crate) headline: String,
    /// What follows where there is room, with its comma: ", 31.4 °C (limit 28 °C)".
    pub(crate) figures: String,
    /// What it is called when it is over, "Tank level".
    pub(crate) name: String,
    /// What to do, as an order without full stop, "Fill the tank: 18 L to the brim";
    /// the hour is put in before the colon.
    pub(crate) action: String,
    /// Where the cause usually lies, for who comes out of bed; empty where nothing is usual.
    pub(crate) look_first: &'static str,
    /// What is, now against the limit; whole sentences.
    pub(crate) what: String,
    /// What holds since, "Too warm".
    pub(crate) state: &'static str,
    /// What happens otherwise, as a clause: "the pump draws air".
    pub(crate) harm: &'static str,
    /// What is so at once where nothing is seen, a clause; empty elsewhere.
    pub(crate) unseen: &'static str,
    /// What is when it is over; whole sentences.
    pub(crate) over: String,
    /// What it was told of is gone, and it is over once that has lasted: nothing is pressing.
    pub(crate) easing: bool,
    /// What must be said beside it every time.
    pub(crate) caution: Option<&'static str>,
}

/// A name as a subject line bears it.
pub(crate) fn short(name: &str) -> String {
    shortened(name.trim(), NAME_IN_SUBJECT)
}
