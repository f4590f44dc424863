//! The alarm table: how long the condition of each kind must hold before it is raised, and be
//! gone before it returns. No row, no alarm. The words of each row (cause, consequence,
//! response, as ISA-18.2 rationalisation asks) stand in `notify::wording::rationale`.

use crate::alarm::kinds::AlarmKind;
use chrono::TimeDelta;

/// One row. Delays are own defaults; the start values that open restatements of
/// ISA-TR18.2.3 give (60 s for temperature and level) are for plant processes, and
/// a room with a door needs minutes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// How long the condition must hold before it is raised.
    pub on_delay: TimeDelta,
    /// How long it must be gone before it returns.
    pub off_delay: TimeDelta,
}

/// The row of a kind.
pub fn row(kind: AlarmKind) -> Row {
    use AlarmKind::*;
    let minutes = TimeDelta::minutes;
    match kind {
        AirTooWarm => Row { on_delay: minutes(10), off_delay: minutes(10) },
        AirTooCold => Row { on_delay: minutes(10), off_delay: minutes(10) },
        AirTooDamp => Row { on_delay: minutes(20), off_delay: minutes(20) },
        AirTooDry => Row { on_delay: minutes(20), off_delay: minutes(20) },
        Condensation => Row { on_delay: minutes(30), off_delay: minutes(60) },
        MoldPressure => Row { on_delay: minutes(30), off_delay: minutes(60) },
        DryOut => Row { on_delay: minutes(10), off_delay: minutes(10) },
        StageOverdue => Row { on_delay: minutes(0), off_delay: minutes(0) },
        ReservoirLow => Row { on_delay: minutes(10), off_delay: minutes(10) },
        ReservoirEmpty => Row { on_delay: minutes(3), off_delay: minutes(10) },
        ReservoirLeak => Row { on_delay: minutes(0), off_delay: minutes(60) },
        SensorSilent => Row { on_delay: minutes(0), off_delay: minutes(2) },
        SensorStuck => Row { on_delay: minutes(0), off_delay: minutes(5) },
        SensorImplausible => Row { on_delay: minutes(10), off_delay: minutes(60) },
        SensorDrift => Row { on_delay: minutes(60), off_delay: minutes(60) },
        BrokerLost => Row { on_delay: minutes(5), off_delay: minutes(1) },
        MailFailing => Row { on_delay: minutes(0), off_delay: minutes(0) },
        StoreFailing => Row { on_delay: minutes(0), off_delay: minutes(5) },
        ClockStepped => Row { on_delay: minutes(0), off_delay: minutes(0) },
    }
}
