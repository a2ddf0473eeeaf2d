//! Checked stimuli: what a scenario does to the controller or to the modelled kiln.

use dryfire_units::RigSpan;

use crate::{ContactRole, RelaySelector, ZoneSelector};

/// What is done to a probe, its leads or its terminals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ProbeFault {
    /// The circuit is broken.
    Open,
    /// Shorted at the controller's terminals: reads ambient.
    Short,
    /// Shorted in its head: reads the head's temperature.
    ShortInHead {
        /// The head's temperature, thousandths of a degree Celsius.
        head_millicelsius: i64,
    },
    /// A lead touches ground.
    ShortToGround,
    /// A lead touches the supply of the controller's electronics.
    ShortToSupply,
    /// The leads are swapped.
    Reversed,
    /// Stays at what it reads now.
    Frozen,
    /// Reads this much too high (thousandths of a degree; negative: too low).
    Offset(i64),
    /// Reads more and more wrong: thousandths of a degree for each hour from now on (negative: lower and lower).
    Drift(i64),
    /// Pulled out of the kiln: reads ambient after its own lag.
    PulledOut,
    /// Is of another type (by its letter) than the controller is set to.
    AnotherType(char),
    /// The wire between head and controller is not that of the probe's type.
    Extension {
        /// What it is instead.
        wire: ExtensionWire,
        /// The head's temperature, thousandths of a degree Celsius.
        head_millicelsius: i64,
    },
    /// The reading is noisy.
    Noise {
        /// Root mean square, thousandths of a degree.
        rms_millicelsius: i64,
    },
    /// The mains hum on the probe's wire.
    Hum {
        /// Root mean square, thousandths of a degree.
        rms_millicelsius: i64,
        /// Frequency, hertz.
        hertz: u8,
    },
    /// The reading has spikes.
    Spikes {
        /// Height (negative: downwards), thousandths of a degree.
        by_millicelsius: i64,
        /// Length of one.
        length: RigSpan,
        /// From the beginning of one to that of the next, on average.
        every: RigSpan,
    },
    /// The circuit opens and closes by turns, open first.
    Intermittent {
        /// How long it is open.
        open: RigSpan,
        /// How long it is closed.
        closed: RigSpan,
    },
}

/// What the wire between a probe's head and the controller is made of, where it should be the probe's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExtensionWire {
    /// Both leads of copper.
    Copper,
    /// The right wire with its leads swapped.
    Reversed,
    /// That of another type, by its letter.
    AnotherType(char),
}

/// What happens to a relay in the model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RelayFault {
    /// The contact stays closed, whatever the coil does.
    Welded,
    /// The contact in one pole of the supply (from 1) stays closed; those in the others still work.
    PoleWelded(u8),
    /// The contact stays open, whatever the coil does.
    StuckOpen,
    /// The contact opens so much too late.
    OpensLate(RigSpan),
    /// Half of a solid-state relay is shorted: half the power when off, all of it when on.
    HalfShorted,
    /// Half of a solid-state relay is gone: half the power when on.
    HalfOpen,
    /// The contacts are burnt and let through only so much of the power.
    Burnt {
        /// Thousandths of the power.
        power_thousandths: u16,
    },
    /// The contact welds and comes off again by turns, welded first.
    WeldsAtTimes {
        /// How long it is welded.
        welded: RigSpan,
        /// How long it works.
        free: RigSpan,
    },
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
    /// A fault of the limiter's own probe begins.
    LimiterProbe {
        /// What happens.
        fault: ProbeFault,
    },
    /// The limiter's own probe is as it should be again.
    ReconnectLimiterProbe,
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
    /// Two probes change places at the controller's terminals.
    CrossProbes {
        /// One of them; never all.
        one: ZoneSelector,
        /// The other.
        other: ZoneSelector,
    },
    /// The controller's terminals are warmer than its converter takes them to be.
    WarmTerminals {
        /// By so much, thousandths of a degree (negative: colder).
        by_millicelsius: i64,
    },
    /// The controller's box is warmer, and its converter measures that.
    WarmBox {
        /// Than the room by so much, thousandths of a degree (negative: colder).
        by_millicelsius: i64,
    },
    /// A leg of the kiln's supply is lost or comes back.
    Leg {
        /// Which, from 1.
        leg: u8,
        /// Whether it is there from now on.
        present: bool,
    },
    /// The neutral of the kiln's supply is lost or comes back.
    Neutral {
        /// Whether it is there from now on.
        present: bool,
    },
    /// The coils of all relays lose their supply or get it back.
    CoilSupply {
        /// Whether it is there from now on.
        present: bool,
    },
    /// A bypass that an earlier control left in is closed or opened.
    Bypass {
        /// In the path of which zone.
        zone: ZoneSelector,
        /// Whether it is closed from now on.
        closed: bool,
    },
    /// The voltage of the kiln's supply is another one.
    KilnSupply {
        /// Thousandths of a volt.
        millivolts: i64,
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
