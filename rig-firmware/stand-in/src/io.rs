//! What the board hands in and what it has to work.

/// The most zones that one controller has.
pub const MAX_ZONES: usize = 4;

/// What a probe's converter says instead of a temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ProbeFault {
    /// The circuit is broken.
    Open,
    /// A lead touches ground.
    ShortToGround,
    /// A lead touches the supply.
    ShortToSupply,
    /// The voltage belongs to no temperature of the probe's type.
    OutOfRange,
    /// The converter does not answer, or answers all zeros or all ones.
    NoAnswer,
}

impl ProbeFault {
    /// In words, as the console says it.
    pub fn words(self) -> &'static str {
        match self {
            ProbeFault::Open => "open circuit",
            ProbeFault::ShortToGround => "short to ground",
            ProbeFault::ShortToSupply => "short to supply",
            ProbeFault::OutOfRange => "out of range",
            ProbeFault::NoAnswer => "no answer",
        }
    }
}

/// One sample of a zone's probe: thousandths of a degree Celsius, or a fault.
pub type Reading = Result<i32, ProbeFault>;

/// The contacts as wired to the controller, not yet debounced.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Contacts {
    /// The lid switch says open.
    pub lid_open: bool,
    /// The stop button is pressed.
    pub stop: bool,
    /// The start button is pressed.
    pub start: bool,
    /// The acknowledge button is pressed.
    pub acknowledge: bool,
}

/// Everything that one tick looks at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Inputs {
    /// Latest sample of each zone; those beyond the number of zones are not looked at.
    pub readings: [Reading; MAX_ZONES],
    /// The contacts.
    pub contacts: Contacts,
}

/// What the outputs have to be from now on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outputs {
    /// The safety contactor is pulled in.
    pub safety: bool,
    /// The element relay of each zone is on.
    pub elements: [bool; MAX_ZONES],
    /// The board has to call [`poll_contacts`](crate::StandIn::poll_contacts) after
    /// this many milliseconds if no tick comes before: a contact is being debounced,
    /// or the contactor still has to follow the elements. `None`: nothing is pending.
    pub call_again_after_ms: Option<u16>,
}

impl Outputs {
    /// Whether any output is on.
    pub fn any_on(&self) -> bool {
        self.safety || self.any_element()
    }

    /// Whether any element relay is on.
    pub fn any_element(&self) -> bool {
        self.elements.iter().any(|on| *on)
    }
}
