//! The quantile by which spreads and peers are told.

/// A quantile of ascending values, straight lines between them (type 7 of R. J. Hyndman and
/// Y. Fan 1996, Am. Stat. 50:361; numpy's default). 0 of none.
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share.clamp(0.0, 1.0) * sorted.len().saturating_sub(1) as f64;
    let below = place.floor() as usize;
    let at = |index: usize| sorted.get(index).or(sorted.last()).copied().unwrap_or(0.0);
    at(below) + (place - below as f64) * (at(below + 1) - at(below))
}
