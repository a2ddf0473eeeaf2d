//! A checked scenario: names resolved, quantities in integers, every rule of
//! the format satisfied. What depends on the bench (which zones exist, what
//! the controller declares) is still symbolic and is bound by the engine.

use dryfire_units::RigSpan;

use crate::console::ConsolePattern;
use crate::{ContactRole, Span, Spanned, Stimulus};

/// The id of a hazard (`probe-open`, `relay-welded`): lower-case words joined by hyphens.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HazardId(pub String);

/// One scenario file.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it is called; unique in a run.
    pub name: String,
    /// What it guards against; at least one unless it is a plain control scenario.
    pub hazards: Vec<Spanned<HazardId>>,
    /// Words to select it by.
    pub tags: Vec<String>,
    /// Cause and harm, in a potter's words.
    pub why: String,
    /// Where the limits come from.
    pub limits_from: String,
    /// The moment, type or combination that no other scenario of its library covers, if it says so.
    pub covers_alone: Option<String>,
    /// What must be there, and what its absence means.
    pub needs: Vec<Need>,
    /// How the kiln stands when the run begins.
    pub start: Start,
    /// What the controller is told to fire.
    pub firing: Vec<Segment>,
    /// What is done, in order.
    pub script: Vec<Step>,
    /// What has to be seen.
    pub expect: Vec<Expectation>,
    /// When the run is over.
    pub end: End,
}

/// How the kiln stands when the run begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    /// Air around the kiln, thousandths of a degree Celsius.
    pub ambient_millicelsius: i64,
    /// Kiln soaked at this temperature; ambient when cold.
    pub kiln_millicelsius: i64,
}

/// One part of a firing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Segment {
    /// Towards a temperature at a rate (positive; the direction follows from the target).
    Ramp {
        /// Thousandths of a degree per hour.
        rate_millicelsius_per_hour: i64,
        /// Thousandths of a degree Celsius.
        to_millicelsius: i64,
    },
    /// At the temperature reached.
    Hold {
        /// For how long.
        length: RigSpan,
    },
}

/// Something the bench must have for the scenario to mean anything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Need {
    /// What.
    pub part: Spanned<NeededPart>,
    /// What its absence means.
    pub missing: Missing,
}

/// A part of bench or controller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NeededPart {
    /// A contact that the rig can work.
    Contact(ContactRole),
    /// The rig can cut the controller's own supply.
    Supply,
    /// A second relay in series with this one, which the controller commands.
    MeansToCut(RelaySelector),
    /// A relay with contacts that wear, not a solid-state one.
    Mechanical(RelaySelector),
    /// At least so many zones.
    Zones(u8),
    /// An independent limiter.
    Limiter,
    /// A controller that declares at least so long a longest firing.
    LongestFiring(RigSpan),
}

/// What the absence of a needed part means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// The hazard cannot occur without the part.
    NotApplicable,
    /// The hazard is there and nothing meets it: a finding.
    Uncovered,
}

/// A named moment of the script.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment(pub String);

/// One step of the script. Steps run in order; a step waits for its own
/// condition only after the one before it is done.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// What the step waits for.
    pub kind: StepKind,
    /// The name of the moment at which its stimuli take effect.
    pub call_it: Option<Spanned<Moment>>,
    /// What is done then.
    pub stimuli: Vec<Spanned<Stimulus>>,
    /// Where the step stands.
    pub span: Span,
}

/// What a step waits for.
#[derive(Clone, Debug, PartialEq)]
pub enum StepKind {
    /// Nothing; the firing is begun the way the bench says. The moment `begin`.
    BeginFiring,
    /// A condition to hold, at most `patience`; a run in which it never does is inconclusive.
    When {
        /// The condition.
        condition: Condition,
        /// How long to wait for it.
        patience: RigSpan,
    },
    /// A length of time after the step before.
    Wait(RigSpan),
    /// An instant relative to an earlier moment.
    At {
        /// The moment.
        moment: Spanned<Moment>,
        /// How long after it.
        offset: TimeLimit,
    },
}

/// Which zones: all, one by its place (from 1, in the bench's order) or by its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ZoneSelector {
    /// Every zone.
    All,
    /// By place, from 1.
    Number(u8),
    /// By the bench's name for it.
    Name(String),
}

/// Which relay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RelaySelector {
    /// The safety contactor.
    Safety,
    /// The element relay of a zone.
    Element(ZoneSelector),
}

/// A level that can be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LevelSignal {
    /// The model's temperature: the hottest zone, or one zone.
    Kiln(ZoneSelector),
    /// What is shown to the controller: the hottest probe, or one probe.
    Probe(ZoneSelector),
    /// What the controller says on its console that it aims at.
    SetPoint,
    /// What is shown to the limiter by its own probe.
    LimiterProbe,
}

/// Which temperatures a spread is taken over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpreadOf {
    /// The model's zones.
    Kiln,
    /// The probes.
    Probe,
}

/// What is compared with a limit: a level, or what follows from levels and
/// switches. Windows are whole seconds, from 1 s to [`LONGEST_WINDOW`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Measured {
    /// `kiln.top`: a temperature.
    Level(LevelSignal),
    /// `probe spread`: the hottest less the coolest; a difference of temperatures.
    Spread(SpreadOf),
    /// `kiln.top - kiln.bottom`: a difference of temperatures.
    Difference {
        /// The one.
        of: LevelSignal,
        /// Less the other.
        less: LevelSignal,
    },
    /// `rise of probe over 10 min`: its value now less that at the window's
    /// beginning; a difference of temperatures.
    Rise {
        /// Of what.
        of: LevelSignal,
        /// The window that ends now.
        over: RigSpan,
    },
    /// `rate of kiln over 5 min`: the rise divided by the window.
    Rate {
        /// Of what.
        of: LevelSignal,
        /// The window that ends now.
        over: RigSpan,
    },
    /// `duty of element.top over 5 min`: the share of the window in which a switch was on.
    Duty {
        /// Of which switch.
        of: SwitchSignal,
        /// The window that ends now.
        over: RigSpan,
    },
}

/// The longest window of a condition or a count.
pub const LONGEST_WINDOW: RigSpan = RigSpan::from_minutes(24 * 60);

/// A switch that can be asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SwitchSignal {
    /// Whether any element carries current, or that of one zone.
    Heat(ZoneSelector),
    /// Whether every pole of every element is open (*isolated*, else *live*), or of one zone's.
    Isolated(ZoneSelector),
    /// An element relay as sensed: any of them, or that of one zone.
    Element(ZoneSelector),
    /// The safety contactor as sensed.
    Safety,
    /// The limiter's contact as sensed: closed, else tripped.
    Limiter,
    /// A contact as the rig plays it (lid open, button pressed).
    Contact(ContactRole),
    /// The controller's supply as sensed.
    Supply,
    /// On for a moment at each line of the controller's console that the pattern finds something in.
    Console(ConsolePattern),
}

/// How a level is compared with its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// `<`
    Below,
    /// `<=` or `≤`
    AtMost,
    /// `>`
    Above,
    /// `>=` or `≥`
    AtLeast,
}

/// A condition in words, with places.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// `kiln > 400 °C`, `duty of element over 5 min > 95 %`
    Compare {
        /// What is compared.
        measured: Spanned<Measured>,
        /// How.
        comparison: Comparison,
        /// With what.
        limit: Spanned<Limit>,
    },
    /// `element on`, `lid open`, `safety closed`
    Is {
        /// The switch.
        switch: Spanned<SwitchSignal>,
        /// On (closed, open lid, pressed) or not.
        on: bool,
    },
    /// `element on for 0.5 s` (only in a script's `when`)
    HeldFor {
        /// What has to hold.
        condition: Box<Condition>,
        /// Without a break for so long.
        length: RigSpan,
    },
    /// `not …`
    Not(Box<Condition>),
    /// `… and …`
    And(Vec<Condition>),
    /// `… or …`
    Or(Vec<Condition>),
}

/// What something measured is compared with, in the unit that belongs to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Limit {
    /// Thousandths of a degree Celsius.
    Temperature(i64),
    /// A difference of temperatures, thousandths of a degree.
    Difference(i64),
    /// Thousandths of a degree for each hour.
    Rate(i64),
    /// A share, thousandths of a percent.
    Share(i64),
    /// What the bench file says the controller promises.
    Declared {
        /// Which promise.
        which: DeclaredLimit,
        /// Thousandths of a degree on top.
        plus_millicelsius: i64,
    },
}

/// A promise of the controller that limits can refer to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeclaredLimit {
    /// The highest temperature that a program may ask for.
    TopTemperature,
    /// What no part of the kiln may reach (from the kiln file).
    KilnLimit,
    /// Above what the limiter trips (from the bench file).
    LimiterTrip,
    /// Below what the limiter can be reset (from the bench file, if it says so).
    LimiterReset,
}

/// A length of time: a number, what the controller declares, or what the kiln leaves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TimeLimit {
    /// That long.
    Span(RigSpan),
    /// The declared longest firing and so much more.
    LongestFiring {
        /// On top.
        plus: RigSpan,
    },
    /// So many declared cycle times and so much more.
    CycleTime {
        /// How many.
        times: u8,
        /// On top.
        plus: RigSpan,
    },
    /// The declared reaction to a hazard and so much more.
    Reaction {
        /// To which hazard.
        hazard: Spanned<HazardId>,
        /// In its place where the bench file declares none.
        otherwise: Option<RigSpan>,
        /// On top.
        plus: RigSpan,
    },
    /// Half of the process safety time that the kiln leaves, or less.
    HalfSafetyTime {
        /// Of which hazard; without one, the least of those of the scenario's hazards.
        hazard: Option<Spanned<HazardId>>,
        /// Not more than this.
        at_most: Option<RigSpan>,
    },
}

/// Over which part of the run an expectation is claimed.
#[derive(Clone, Debug, PartialEq)]
pub enum Scope {
    /// The whole run.
    Throughout,
    /// After a moment and an offset, to the end.
    After {
        /// The moment.
        moment: Spanned<Moment>,
        /// How long after it.
        offset: RigSpan,
        /// Until just before this moment, if given.
        until: Option<(Spanned<Moment>, RigSpan)>,
    },
    /// From the beginning until just before a moment.
    Before {
        /// The moment.
        moment: Spanned<Moment>,
        /// How long after it.
        offset: RigSpan,
    },
    /// From a moment until just before another; about nothing if that never comes.
    Between {
        /// The first moment, and how long after it.
        from: (Spanned<Moment>, RigSpan),
        /// The other one, likewise.
        to: (Spanned<Moment>, RigSpan),
    },
}

/// What is claimed.
#[derive(Clone, Debug, PartialEq)]
pub enum Pattern {
    /// `always: …`
    Always(Condition),
    /// `never: …`
    Never(Condition),
    /// `sometime: …`
    Sometime(Condition),
    /// `within: 10 s`, `see: …`
    Within {
        /// At the latest.
        limit: TimeLimit,
        /// What has to be seen.
        condition: Condition,
    },
    /// `within: 10 s`, `heat: cut`
    HeatCut {
        /// At the latest.
        limit: TimeLimit,
    },
    /// `for: 30 s`, `see: …`
    HoldsFor {
        /// How long.
        length: TimeLimit,
        /// What has to hold.
        condition: Condition,
    },
    /// `at least: …`, `at most: …`, `see: …`
    Count {
        /// How often it becomes true.
        times: Times,
        /// What is counted.
        condition: Condition,
    },
    /// `each: …`, `lasts at least: …`
    LastsAtLeast {
        /// What has to last.
        condition: Condition,
        /// How long.
        length: TimeLimit,
    },
    /// `each: …`, `lasts at most: …`
    LastsAtMost {
        /// What may not last longer.
        condition: Condition,
        /// How long.
        length: TimeLimit,
    },
    /// `at least every: …`, `see: …`
    AtLeastEvery {
        /// The longest time without it.
        length: TimeLimit,
        /// What has to come again.
        condition: Condition,
    },
    /// `first: …`, `then: …`
    Order {
        /// What has to come first.
        first: Condition,
        /// What may come only after it.
        then: Condition,
    },
}

/// How often something becomes true.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Times {
    /// In the whole scope.
    Altogether {
        /// At least so often.
        at_least: u32,
        /// At most so often; `u32::MAX` where nothing is said.
        at_most: u32,
    },
    /// In any window of that length within the scope.
    InAny {
        /// At most so often.
        at_most: u32,
        /// The window's length.
        window: RigSpan,
    },
}

/// One expectation.
#[derive(Clone, Debug, PartialEq)]
pub struct Expectation {
    /// Its name; unique in the scenario.
    pub name: Spanned<String>,
    /// The hazards it speaks to: the scenario's, unless it says so itself.
    pub hazards: Vec<Spanned<HazardId>>,
    /// Over which part of the run.
    pub scope: Scope,
    /// Claimed anew each time that this becomes true within that part.
    pub whenever: Option<Condition>,
    /// What is claimed.
    pub pattern: Pattern,
    /// Where it stands.
    pub span: Span,
}

impl Expectation {
    /// Every condition that it looks at.
    pub fn conditions(&self) -> Vec<&Condition> {
        let mut conditions: Vec<&Condition> = self.whenever.iter().collect();
        match &self.pattern {
            Pattern::Always(condition)
            | Pattern::Never(condition)
            | Pattern::Sometime(condition)
            | Pattern::Within { condition, .. }
            | Pattern::HoldsFor { condition, .. }
            | Pattern::Count { condition, .. }
            | Pattern::LastsAtLeast { condition, .. }
            | Pattern::LastsAtMost { condition, .. }
            | Pattern::AtLeastEvery { condition, .. } => conditions.push(condition),
            Pattern::Order { first, then } => conditions.extend([first, then]),
            Pattern::HeatCut { .. } => {}
        }
        conditions
    }

    /// The length of time that it is claimed for or within.
    pub fn time_limit(&self) -> Option<&TimeLimit> {
        match &self.pattern {
            Pattern::Within { limit, .. } | Pattern::HeatCut { limit } => Some(limit),
            Pattern::HoldsFor { length, .. }
            | Pattern::LastsAtLeast { length, .. }
            | Pattern::LastsAtMost { length, .. }
            | Pattern::AtLeastEvery { length, .. } => Some(length),
            Pattern::Always(_)
            | Pattern::Never(_)
            | Pattern::Sometime(_)
            | Pattern::Count { .. }
            | Pattern::Order { .. } => None,
        }
    }
}

/// When the run is over.
#[derive(Clone, Debug, PartialEq)]
pub struct End {
    /// After this moment (the beginning of the run if none is named) …
    pub moment: Option<Spanned<Moment>>,
    /// … and so long.
    pub offset: TimeLimit,
}
