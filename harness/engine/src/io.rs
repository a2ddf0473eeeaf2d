//! What goes from the engine to a bench, and what comes back.
//!
//! All instants are rig time since the beginning of the run.

use dryfire_units::{Disturbance, RigSpan, RigTime};

/// Number of a command within its run, from 0; acknowledged by the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CommandId(pub u32);

/// What a probe channel plays at the controller's terminals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProbeSignal {
    /// A voltage that changes linearly from the command's instant on.
    Voltage {
        /// At the command's instant.
        nanovolts: i32,
        /// Its slope.
        nanovolts_per_second: i32,
    },
    /// The circuit is broken.
    Open,
    /// The terminals are shorted.
    Short,
    /// A lead touches ground.
    ShortToGround,
    /// A lead touches the supply of the controller's electronics.
    ShortToSupply,
}

/// Something the bench has to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Command {
    /// Its number.
    pub id: CommandId,
    /// When it takes effect: now or later, never before the watermark. A bench
    /// that is already past it applies it at once and says when.
    pub at: RigTime,
    /// What to do.
    pub kind: CommandKind,
}

/// The kinds of command.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CommandKind {
    /// A probe channel's signal from now on.
    Probe {
        /// The channel.
        channel: u8,
        /// What it plays.
        signal: ProbeSignal,
        /// Until when this set-point is good; afterwards the bench holds the
        /// last value reached and counts the next set-point as late.
        valid_until: RigTime,
    },
    /// What the bench adds to a probe channel's signal by itself, from now on.
    Disturb {
        /// The channel.
        channel: u8,
        /// What is added; its time counts from the command's instant.
        disturbance: Disturbance,
    },
    /// The controller's terminals, and the sensor of its converter with them, have
    /// another temperature. Only for a bench that plays the converter too.
    Terminals {
        /// Their temperature from now on, thousandths of a degree Celsius.
        millicelsius: i64,
    },
    /// A dry contact.
    Contact {
        /// The rig output that works it.
        output: u8,
        /// Whether it is closed from now on.
        closed: bool,
    },
    /// The controller's own supply.
    Supply {
        /// Whether it is on from now on.
        on: bool,
    },
    /// A line to the controller's console, without its line end.
    Console {
        /// The line.
        line: String,
    },
    /// The operator is asked to do something; answered by [`Observation::OperatorDone`].
    Prompt {
        /// What to do.
        text: String,
    },
}

/// Counters that a bench keeps of what went wrong; they only ever grow.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RigCounters {
    /// Edges that were lost because the rig's ring was full.
    pub lost_edges: u32,
    /// Bytes of the controller's console that were lost because their queue was full.
    pub lost_console_bytes: u32,
    /// Probe set-points that came after the one before them had run out.
    pub late_setpoints: u32,
    /// Frames that arrived damaged and were resent; harmless by themselves.
    pub damaged_frames: u32,
}

impl RigCounters {
    /// The greater of each: counters that only grow never lose what they once said.
    pub(crate) fn at_least(self, other: RigCounters) -> RigCounters {
        RigCounters {
            lost_edges: self.lost_edges.max(other.lost_edges),
            lost_console_bytes: self.lost_console_bytes.max(other.lost_console_bytes),
            late_setpoints: self.late_setpoints.max(other.late_setpoints),
            damaged_frames: self.damaged_frames.max(other.damaged_frames),
        }
    }
}

/// A breakdown of bench, link or controller: the run ends in `error`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// What broke down.
    pub kind: TroubleKind,
    /// What it said, or what was seen, in one line.
    pub detail: String,
}

/// What can break down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TroubleKind {
    /// The rig restarted in the middle of the run.
    RigRestarted,
    /// The rig went to its safe state because it had not heard from the host.
    RigWentSafe,
    /// Nothing was heard from the rig for too long, or its port is gone.
    LinkLost,
    /// The rig refused a command or spoke another protocol.
    LinkRefused,
    /// The controller's program ended.
    ProgramEnded,
    /// The controller's program did not answer in time.
    ProgramLate,
    /// The controller's program wrote something that is no answer.
    ProgramNonsense,
    /// The controller's program wrote more than is bearable.
    ProgramFlood,
    /// The bench reported something that lies before what it had called complete.
    OutOfOrder,
    /// The bench let no time pass when it was asked to.
    StandsStill,
    /// The limiter's contact is open before the firing begins, and what was done to reset it has not closed it.
    LimiterOpen,
    /// The kiln or the probes of the plan cannot be played.
    PlanUnplayable,
}

impl TroubleKind {
    /// Its stable word in machine output.
    pub fn word(self) -> &'static str {
        match self {
            TroubleKind::RigRestarted => "rig-restarted",
            TroubleKind::RigWentSafe => "rig-went-safe",
            TroubleKind::LinkLost => "link-lost",
            TroubleKind::LinkRefused => "link-refused",
            TroubleKind::ProgramEnded => "program-ended",
            TroubleKind::ProgramLate => "program-late",
            TroubleKind::ProgramNonsense => "program-nonsense",
            TroubleKind::ProgramFlood => "program-flood",
            TroubleKind::OutOfOrder => "out-of-order",
            TroubleKind::StandsStill => "stands-still",
            TroubleKind::LimiterOpen => "limiter-open",
            TroubleKind::PlanUnplayable => "plan-unplayable",
        }
    }
}

/// Something a bench has seen.
///
/// Observations come in the order of their instants; at the same instant:
/// acknowledgements by command number, then supply rail and cold junction, then
/// edges by input number, then console lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Observation {
    /// A command took effect.
    Applied {
        /// Which.
        command: CommandId,
        /// When.
        at: RigTime,
    },
    /// A sensed input changed. Every input counts as low before its first edge.
    Edge {
        /// When.
        at: RigTime,
        /// Which input.
        input: u8,
        /// Its level from then on.
        high: bool,
    },
    /// The controller's supply rail as sensed, after a change.
    SupplyRail {
        /// When.
        at: RigTime,
        /// Whether it is on from then on.
        on: bool,
    },
    /// The temperature of the controller's terminals as measured there.
    ColdJunction {
        /// When.
        at: RigTime,
        /// Thousandths of a degree Celsius; `None`: the sensor is missing or broken.
        millicelsius: Option<i64>,
    },
    /// The controller wrote a line.
    Console {
        /// When its end arrived.
        at: RigTime,
        /// The line without its end.
        line: String,
    },
    /// The operator says it is done.
    OperatorDone {
        /// The prompt's command.
        command: CommandId,
        /// When.
        at: RigTime,
    },
    /// The counters have changed.
    Counters(RigCounters),
    /// Every observation up to and including this instant has been given: absence
    /// can be judged up to here.
    Complete {
        /// The watermark.
        until: RigTime,
    },
    /// Something broke down; nothing follows.
    Trouble(Trouble),
}

/// The bounds within which a free-running bench plays; a stepped one never
/// runs past what it was granted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pacing {
    /// The bench runs exactly to the instants that the engine grants.
    Stepped {
        /// Longest step.
        step: RigSpan,
    },
    /// The bench runs by its own clock; set-points are sent every `period` and
    /// hold for `validity`.
    FreeRunning {
        /// Between set-points.
        period: RigSpan,
        /// How long each stays good.
        validity: RigSpan,
    },
}
