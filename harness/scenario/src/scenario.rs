//! A checked scenario: names resolved, quantities in integers, every rule of
//! the format satisfied. What depends on the bench (which zones exist, what
//! the controller declares) is still symbolic and is bound by the engine.

use dryfire_units::RigSpan;

use crate::{ContactRole, Span, Spanned};

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
    /// At least so many zones.
    Zones(u8),
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

/// What is done to a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProbeFault {
    /// The circuit is broken.
    Open,
    /// Shorted at the controller's terminals: reads ambient.
    Short,
    /// The leads are swapped.
    Reversed,
    /// Stays at what it reads now.
    Frozen,
    /// Reads this much too high (thousandths of a degree; negative: too low).
    Offset(i64),
    /// Pulled out of the kiln: reads ambient after its own lag.
    PulledOut,
}

/// What happens to a relay in the model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RelayFault {
    /// The contact stays closed, whatever the coil does.
    Welded,
    /// The contact stays open, whatever the coil does.
    StuckOpen,
}

/// Something done to the controller or to the modelled kiln.
#[derive(Clone, Debug, PartialEq)]
pub enum Stimulus {
    /// A probe fault begins.
    Probe {
        /// What happens.
        fault: ProbeFault,
        /// To which probes.
        zone: ZoneSelector,
    },
    /// A probe is as it should be again.
    ReconnectProbe {
        /// Which.
        zone: ZoneSelector,
    },
    /// A relay fault begins in the model.
    Relay {
        /// What happens.
        fault: RelayFault,
        /// To which relay.
        relay: RelaySelector,
    },
    /// A relay works again.
    FreeRelay {
        /// Which.
        relay: RelaySelector,
    },
    /// The element of a zone burns through.
    LoseElement {
        /// Which zone.
        zone: ZoneSelector,
    },
    /// A contact is worked: the lid opened or shut, a button pressed or released.
    Contact {
        /// Which.
        contact: ContactRole,
        /// Opened lid or pressed button: `true`; shut or released: `false`.
        engaged: bool,
    },
    /// The controller's supply is cut or restored.
    Supply {
        /// Whether it is on from now on.
        on: bool,
    },
    /// A line is sent to the controller's console.
    Console(String),
    /// The operator is asked to do something and to say when it is done.
    Prompt(String),
}

/// A level that can be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LevelSignal {
    /// The model's temperature: the hottest zone, or one zone.
    Kiln(ZoneSelector),
    /// What is shown to the controller: the hottest probe, or one probe.
    Probe(ZoneSelector),
}

/// A switch that can be asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SwitchSignal {
    /// Whether any element carries current, or that of one zone.
    Heat(ZoneSelector),
    /// An element relay as sensed: any of them, or that of one zone.
    Element(ZoneSelector),
    /// The safety contactor as sensed.
    Safety,
    /// A contact as the rig plays it (lid open, button pressed).
    Contact(ContactRole),
    /// The controller's supply as sensed.
    Supply,
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
    /// `kiln > 400 °C`
    Compare {
        /// The level.
        level: Spanned<LevelSignal>,
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

/// A temperature limit: a number, or what the controller declares, with an offset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Limit {
    /// Thousandths of a degree Celsius.
    Temperature(i64),
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
}

/// A length of time: a number, or what the controller declares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeLimit {
    /// That long.
    Span(RigSpan),
    /// The declared longest firing and so much more.
    LongestFiring {
        /// On top.
        plus: RigSpan,
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
    /// What is claimed.
    pub pattern: Pattern,
    /// Where it stands.
    pub span: Span,
}

/// When the run is over.
#[derive(Clone, Debug, PartialEq)]
pub struct End {
    /// After this moment (the beginning of the run if none is named) …
    pub moment: Option<Spanned<Moment>>,
    /// … and so long.
    pub offset: TimeLimit,
}
