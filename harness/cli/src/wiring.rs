//! `dryfire rig wiring`: the table of a bench file's wires, from the rig's terminal to the controller's.

use dryfire_report::ExitStatus;
use dryfire_scenario::{
    ActiveLevel, Bench, BenchKind, ContactRole, ContactState, ConverterChoice, Plays, RelayRole, Senses, Told,
};

use crate::Refusal;
use crate::args::WiringArguments;
use crate::library::Reader;
use crate::screen::{Mistake, Screen};

/// One wire: the rig's end, the controller's end, what to look at.
type Wire = [String; 3];

/// Prints the table of a bench file.
pub(crate) fn wiring(arguments: &WiringArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut reader = Reader::new(screen);
    let fitted = reader.bench(&arguments.bench);
    let bench = reader.finish(fitted)?.bench;
    if !matches!(bench.kind, BenchKind::Rig { .. }) {
        return Err(Mistake::new(format!("the bench `{}` is none of a rig: nothing is wired to it", bench.name))
            .hint("a bench file with `rig: {}` has wires; scenarios/benches/rig.yaml is one")
            .into());
    }
    screen.out(table(&bench));
    Ok(ExitStatus::AllHeld)
}

/// The table, and what is to be kept in mind.
fn table(bench: &Bench) -> String {
    let wires = wires(bench);
    let head = ["rig", "controller", "note"].map(str::to_owned);
    let width = |column: usize| wires.iter().chain([&head]).map(|wire| wire[column].chars().count()).max().unwrap_or(0);
    let (first, second) = (width(0), width(1));
    let mut text = format!("Wires of the bench `{}`\n\n", bench.name);
    for [rig, controller, note] in [&head].into_iter().chain(&wires) {
        text += format!("{rig:<first$}  {controller:<second$}  {note}").trim_end();
        text.push('\n');
    }
    if matches!(bench.kind, BenchKind::Rig { plays: Plays::Converters, .. }) {
        text += "\nThe rig plays the converters: those of the controller, and its wiring to them, are not tested.\n";
    }
    text += "\nExtra-low voltage only; the kiln is unplugged or locked out and its elements are disconnected.\n\
             Nothing joins the rig's ground and the controller's but these wires; never a probe terminal to ground.\n\
             docs/rig.md says which resistor belongs to which coil.\n";
    text
}

/// The bus on which the rig plays converters.
fn bus(bench: &Bench) -> Vec<Wire> {
    let part = match bench.converter {
        ConverterChoice::Linearised => "linearised",
        ConverterChoice::FourteenBit => "linear 14-bit",
        ConverterChoice::TwelveBit => "linear 12-bit",
    };
    let registers = bench.converter == ConverterChoice::Linearised;
    let clock = if registers {
        "through the isolator; idle low, at most 1 MHz"
    } else {
        "through the isolator; idle low, at most 5 MHz"
    };
    let from_controller = [
        "converter bus: data from the controller",
        "data line to its converters",
        "through the isolator; what it writes to their registers",
    ];
    let mut wires: Vec<Wire> = [
        ["converter bus: clock", "clock of its converters' bus", clock],
        ["converter bus: data", "data line of its converters' bus", "its own converters are taken out"],
    ]
    .into_iter()
    .chain(registers.then_some(from_controller))
    .chain([[
        "converter bus: supply and ground",
        "supply and ground of its converters",
        "of the isolator's far side only",
    ]])
    .map(|wire| wire.map(str::to_owned))
    .collect();
    for zone in &bench.zones {
        if let Some(channel) = zone.probe_channel {
            wires.push([
                format!("converter bus: select {channel}"),
                format!("select of the converter of {} ({part}, type {})", zone.name, zone.probe_type),
                "low is selected; lets its buffer drive the data line".to_owned(),
            ]);
        }
    }
    wires
}

fn wires(bench: &Bench) -> Vec<Wire> {
    let plays_converters = matches!(bench.kind, BenchKind::Rig { plays: Plays::Converters, .. });
    let mut wires: Vec<Wire> = if plays_converters { bus(bench) } else { Vec::new() };
    let mut add = |rig: String, controller: String, note: &str| wires.push([rig, controller, note.to_owned()]);
    for zone in &bench.zones {
        if let Some(channel) = zone.probe_channel
            && !plays_converters
        {
            add(
                format!("probe channel {channel}"),
                format!("terminals of probe {} (type {})", zone.name, zone.probe_type),
                "plus on plus; copper, 100 mm; the cold junction is here",
            );
        }
    }
    if let Some(limiter) = &bench.limiter {
        add(
            format!("probe channel {}", limiter.probe_channel),
            format!(
                "limiter: terminals of its own probe (type {}, in {})",
                limiter.probe_type, bench.zones[limiter.zone].name
            ),
            "plus on plus; copper, 100 mm; its cold junction is here",
        );
    }
    for relay in &bench.relays {
        let role = role(bench, &relay.role);
        let (at, note) = match relay.senses {
            Senses::Command => {
                ("output or coil", "keep the coil or a dummy of its current; no proof that a contact opens")
            }
            Senses::Contact => ("contact", "the rig's isolated 5 V through it; no mains"),
            Senses::Load => ("dummy load", "extra-low voltage in place of the mains"),
        };
        let level = match relay.active {
            ActiveLevel::High if relay.role == RelayRole::Limiter => "high is closed",
            ActiveLevel::Low if relay.role == RelayRole::Limiter => "low is closed",
            ActiveLevel::High => "high is on",
            ActiveLevel::Low => "low is on",
        };
        add(format!("sensed input {}", relay.input), format!("{role}: {at}, {level}"), note);
    }
    for contact in &bench.contacts {
        let (role, when) = match contact.role {
            ContactRole::Lid => ("lid switch", "lid open"),
            ContactRole::Stop => ("stop button", "pressed"),
            ContactRole::Start => ("start button", "pressed"),
            ContactRole::Acknowledge => ("acknowledge button", "pressed"),
            ContactRole::TestLine => ("test line of the program", "standing still"),
            ContactRole::ResetLine => ("reset line of the processor, to its ground", "held in reset"),
            ContactRole::DataLineLow => ("data line of the converters' bus, to its ground", "held low"),
            ContactRole::DataLineHigh => ("data line of the converters' bus, to its supply", "held high"),
            ContactRole::ClockLineLow => ("clock line of the converters' bus, to its ground", "held low"),
            ContactRole::Reset => ("reset of the limiter", "pressed"),
            ContactRole::LimiterSupply => ("feed of the limiter, extra-low voltage", "cut"),
        };
        let state = match contact.engaged {
            ContactState::Open => "open",
            ContactState::Closed => "closed",
        };
        let note = match contact.demand_safe {
            ContactState::Open => "open when the host is silent",
            ContactState::Closed => "closed when the host is silent",
        };
        add(format!("contact {}", contact.output), format!("{role}; {when} is {state}"), note);
    }
    for contact in &bench.feedback {
        let (terminal, note) = match contact.tells {
            Told::MirrorContact { relay } => {
                let role = role(bench, &bench.relays[relay].role);
                (format!("input for the mirror contact of {role}"), "closed while all contacts of the relay are open")
            }
            Told::Current { zone } => {
                let of = zone.map_or("any element".to_owned(), |zone| format!("element {}", bench.zones[zone].name));
                (format!("input that tells current through {of}"), "closed while current flows")
            }
            Told::LimiterTripped => (
                "input that tells that the limiter has tripped".to_owned(),
                "closed while the limiter's contact is open",
            ),
        };
        let silent = if contact.tells.closed_when_safe() { "closed" } else { "open" };
        add(format!("contact {}", contact.output), terminal, &format!("{note}; {silent} when the host is silent"));
    }
    if bench.supply_switch {
        add(
            "supply switch".to_owned(),
            "every feed of its logic supply".to_owned(),
            "console and data lines must not feed it back",
        );
        add("supply rail sense".to_owned(), "its logic supply, behind the switch".to_owned(), "below 0.3 V is off");
    }
    let by_console = matches!(bench.begin, dryfire_scenario::BeginFiring::Console { .. });
    if by_console {
        add("console, isolated".to_owned(), "its serial console".to_owned(), "115,200 baud, 8N1; crossed: out to in");
    }
    wires
}

fn role(bench: &Bench, role: &RelayRole) -> String {
    match role {
        RelayRole::Safety => "safety".to_owned(),
        RelayRole::Limiter => "limiter".to_owned(),
        RelayRole::Element(zone) => format!("element.{}", bench.zones[*zone].name),
    }
}
