//! A series that is shown, and how long it passed which limit.

use crate::analysis::beyond::{Beyond, LimitSide};
use crate::report::Series;

/// A series and whose it is.
pub(super) struct Part {
    pub(super) of: String,
    pub(super) series: Series,
    pub(super) beyond: Vec<(LimitSide, String, Beyond)>,
}
