//! Sentences about stimuli.

use dryfire_scenario::{ContactRole, ExtensionWire, ProbeFault, RelayFault, RelaySelector, Stimulus, ZoneSelector};

use super::{celsius, decimal};

pub(crate) fn contact(role: ContactRole, engaged: bool) -> &'static str {
    match (role, engaged) {
        (ContactRole::Lid, true) => "lid opened",
        (ContactRole::Lid, false) => "lid shut",
        (ContactRole::Stop, true) => "stop pressed",
        (ContactRole::Stop, false) => "stop released",
        (ContactRole::Start, true) => "start pressed",
        (ContactRole::Start, false) => "start released",
        (ContactRole::Acknowledge, true) => "acknowledge pressed",
        (ContactRole::Acknowledge, false) => "acknowledge released",
        (ContactRole::TestLine, true) => "controller's program stands still",
        (ContactRole::TestLine, false) => "controller's program goes on",
        (ContactRole::ResetLine, true) => "controller held in reset",
        (ContactRole::ResetLine, false) => "controller's reset released",
        (ContactRole::DataLineLow, true) => "converters' data line held low",
        (ContactRole::DataLineLow, false) => "converters' data line no longer held low",
        (ContactRole::DataLineHigh, true) => "converters' data line held high",
        (ContactRole::DataLineHigh, false) => "converters' data line no longer held high",
        (ContactRole::ClockLineLow, true) => "converters' clock line held low",
        (ContactRole::ClockLineLow, false) => "converters' clock line no longer held low",
        (ContactRole::Reset, true) => "limiter's reset pressed",
        (ContactRole::Reset, false) => "limiter's reset released",
        (ContactRole::LimiterSupply, true) => "limiter's supply cut",
        (ContactRole::LimiterSupply, false) => "limiter's supply restored",
    }
}

const LIMITERS_PROBE: &str = "limiter's probe";

fn of_zone(what: &str, zone: &ZoneSelector) -> String {
    match zone {
        ZoneSelector::All => what.to_owned(),
        ZoneSelector::Number(number) => format!("{what} {number}"),
        ZoneSelector::Name(name) => format!("{what} {name}"),
    }
}

fn relay(selector: &RelaySelector) -> String {
    match selector {
        RelaySelector::Safety => "safety contactor".to_owned(),
        RelaySelector::Element(zone) => of_zone("element relay", zone),
    }
}

fn probe(fault: ProbeFault, zone: &ZoneSelector) -> String {
    of_probe(fault, of_zone("probe", zone))
}

fn of_probe(fault: ProbeFault, probe: String) -> String {
    match fault {
        ProbeFault::Open => format!("{probe} open"),
        ProbeFault::Short => format!("{probe} shorted"),
        ProbeFault::ShortInHead { head_millicelsius } => {
            format!("{probe} shorted in its head at {}", celsius(head_millicelsius))
        }
        ProbeFault::ShortToGround => format!("{probe} shorted to ground"),
        ProbeFault::ShortToSupply => format!("{probe} shorted to supply"),
        ProbeFault::Reversed => format!("{probe} reversed"),
        ProbeFault::Frozen => format!("{probe} frozen"),
        ProbeFault::Offset(by) => format!("{probe} reads {} off", celsius(by)),
        ProbeFault::Drift(per_hour) => format!("{probe} drifts by {} °C/h", decimal(per_hour)),
        ProbeFault::PulledOut => format!("{probe} pulled out"),
        ProbeFault::AnotherType(letter) => format!("{probe} is of type {letter}"),
        ProbeFault::Extension { wire, head_millicelsius } => {
            let wire = match wire {
                ExtensionWire::Copper => "of copper".to_owned(),
                ExtensionWire::Reversed => "reversed".to_owned(),
                ExtensionWire::AnotherType(letter) => format!("of type {letter}"),
            };
            format!("extension wire of {probe} {wire}, head at {}", celsius(head_millicelsius))
        }
        ProbeFault::Noise { rms_millicelsius } => format!("{probe} noisy by {} rms", celsius(rms_millicelsius)),
        ProbeFault::Hum { rms_millicelsius, hertz } => {
            format!("{hertz} Hz hum of {} rms on {probe}", celsius(rms_millicelsius))
        }
        ProbeFault::Spikes { by_millicelsius, length, every } => {
            format!("{probe} has spikes of {} for {length} every {every}", celsius(by_millicelsius))
        }
        ProbeFault::Intermittent { open, closed } => {
            format!("{probe} by turns open for {open} and closed for {closed}")
        }
    }
}

fn relay_fault(fault: RelayFault, selector: &RelaySelector) -> String {
    let relay = relay(selector);
    match fault {
        RelayFault::Welded => format!("{relay} welded"),
        RelayFault::PoleWelded(pole) => format!("{relay} welded in pole {pole}"),
        RelayFault::StuckOpen => format!("{relay} stuck open"),
        RelayFault::OpensLate(by) => format!("{relay} opens {by} late"),
        RelayFault::HalfShorted => format!("half of {relay} shorted"),
        RelayFault::HalfOpen => format!("half of {relay} gone"),
        RelayFault::Burnt { power_thousandths } => {
            format!("{relay} lets through {} % of the power", decimal(i64::from(power_thousandths) * 100))
        }
        RelayFault::WeldsAtTimes { welded, free } => {
            format!("{relay} by turns welded for {welded} and free for {free}")
        }
    }
}

/// What a stimulus does, as an event tells it.
pub(crate) fn stimulus(stimulus: &Stimulus) -> String {
    match stimulus {
        Stimulus::Probe { fault, zone } => probe(*fault, zone),
        Stimulus::ReconnectProbe { zone } => format!("{} in order again", of_zone("probe", zone)),
        Stimulus::LimiterProbe { fault } => of_probe(*fault, LIMITERS_PROBE.to_owned()),
        Stimulus::ReconnectLimiterProbe => format!("{LIMITERS_PROBE} in order again"),
        Stimulus::CrossProbes { one, other } => {
            format!("{} and {} crossed", of_zone("probe", one), of_zone("probe", other))
        }
        Stimulus::WarmTerminals { by_millicelsius } => format!("terminals warmer by {}", celsius(*by_millicelsius)),
        Stimulus::WarmBox { by_millicelsius } => format!("box warmer than the room by {}", celsius(*by_millicelsius)),
        Stimulus::Relay { fault, relay } => relay_fault(*fault, relay),
        Stimulus::FreeRelay { relay: which } => format!("{} works again", relay(which)),
        Stimulus::LoseElement { zone } => format!("{} lost", of_zone("element", zone)),
        Stimulus::Leg { leg, present: false } => format!("leg {leg} of the kiln's supply lost"),
        Stimulus::Leg { leg, present: true } => format!("leg {leg} of the kiln's supply restored"),
        Stimulus::Neutral { present: false } => "neutral of the kiln's supply lost".to_owned(),
        Stimulus::Neutral { present: true } => "neutral of the kiln's supply restored".to_owned(),
        Stimulus::CoilSupply { present: false } => "supply of the relays' coils lost".to_owned(),
        Stimulus::CoilSupply { present: true } => "supply of the relays' coils restored".to_owned(),
        Stimulus::Bypass { zone, closed } => {
            format!("{} {}", of_zone("bypass", zone), if *closed { "closed" } else { "opened" })
        }
        Stimulus::KilnSupply { millivolts } => format!("kiln's supply at {} V", decimal(*millivolts)),
        Stimulus::Contact { contact: role, engaged } => contact(*role, *engaged).to_owned(),
        Stimulus::Supply { on: true } => "supply restored".to_owned(),
        Stimulus::Supply { on: false } => "supply cut".to_owned(),
        Stimulus::Console(line) => format!("console: {line}"),
        Stimulus::Prompt(text) => format!("operator: {text}"),
    }
}
