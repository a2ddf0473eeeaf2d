//! `dryfire rig sheet`: what a session on a rig asks of people before it and after it, on paper.

use dryfire_report::{ExitStatus, value};
use dryfire_scenario::{Bench, BenchKind, ContactRole, Plays, RelayRole, Told};

use crate::Refusal;
use crate::args::WiringArguments;
use crate::library::Reader;
use crate::screen::{Mistake, Screen};

/// Prints the sheet of a bench file.
pub(crate) fn sheet(arguments: &WiringArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let mut reader = Reader::new(screen);
    let fitted = reader.bench(&arguments.bench);
    let bench = reader.finish(fitted)?.bench;
    if !matches!(bench.kind, BenchKind::Rig { .. }) {
        return Err(Mistake::new(format!("the bench `{}` is none of a rig: it has no session", bench.name))
            .hint("a bench file with `rig: {}` has one; scenarios/benches/rig.yaml is one")
            .into());
    }
    screen.out(text(&bench));
    Ok(ExitStatus::AllHeld)
}

fn text(bench: &Bench) -> String {
    let mut text = format!(
        "Sheet of a session on the bench `{}`\n\n\
         To be filled in by hand and kept with the record. That the kiln is disconnected, locked out and proved dead, and what\n\
         is to be set back, `dryfire run` also asks at the terminal and records; the rest is asked and stored nowhere else.\n\
         Controller {} firmware __________   date __________   done by __________   checked by __________\n",
        bench.name, bench.controller,
    );
    for (title, items) in [
        ("Before", before(bench)),
        ("The bench proved", proved(bench)),
        ("After", after(bench)),
        ("First firing", first_firing(bench)),
    ] {
        text += &format!("\n{title}\n");
        for item in items {
            text += &format!("  [ ] {item}\n");
        }
    }
    text += "\nA bench says nothing about contact ratings, terminals, heat in the box or the life of a probe. Work on the supply,\n\
             the contactor, the earth and the disconnect belongs to a licensed electrician and the local code.\n";
    text
}

/// Settings of the controller that a test may change, with what the bench file says of them.
fn settings(bench: &Bench) -> Vec<String> {
    let declares = &bench.declares;
    let mut settings: Vec<String> = bench
        .zones
        .iter()
        .map(|zone| format!("{}: probe type {}, read ______   offset, read ______", zone.name, zone.probe_type))
        .collect();
    settings.push(format!(
        "top temperature {}, read ______   longest firing {}, read ______   cycle time {}, read ______",
        value(dryfire_judge::Margin::Temperature(declares.top_temperature_millicelsius)),
        value(dryfire_judge::Margin::Time(declares.longest_firing)),
        value(dryfire_judge::Margin::Time(declares.cycle_time)),
    ));
    if let Some(limiter) = &bench.limiter {
        settings.push(format!(
            "limiter: probe type {}, read ______   trip {}, read ______",
            limiter.probe_type,
            value(dryfire_judge::Margin::Temperature(limiter.trip_millicelsius)),
        ));
    }
    settings
}

fn before(bench: &Bench) -> Vec<String> {
    let mut items = vec![
        "kiln unplugged, or disconnected and locked out; by ______________".to_owned(),
        "proved dead on all poles, with a tester proved before and after; by ______________".to_owned(),
        "every terminal photographed; then the elements disconnected from the controller's relays".to_owned(),
        "the controller has no mains on its board, or extra-low voltage is fed into its secondary side".to_owned(),
        "wires as `dryfire rig wiring` prints them, each pulled at".to_owned(),
    ];
    items.extend(settings(bench).into_iter().map(|setting| format!("before any change: {setting}")));
    items
}

fn proved(bench: &Bench) -> Vec<String> {
    let mut items = Vec::new();
    for zone in &bench.zones {
        items.push(format!("probe {}: stepped by the rig, and the controller showed it at this zone", zone.name));
    }
    if bench.limiter.is_some() {
        items.push(
            "limiter: its probe stepped by the rig, and the limiter showed it; its contact seen to trip and to be reset"
                .to_owned(),
        );
    }
    for relay in bench.relays.iter().filter(|relay| relay.role != RelayRole::Limiter) {
        items.push(format!(
            "{}: forced on and off, and seen at input {} and no other",
            role(bench, &relay.role),
            relay.input
        ));
    }
    for contact in &bench.contacts {
        items.push(format!(
            "{}: worked by contact {}, and the {} noticed",
            words(contact.role),
            contact.output,
            if is_limiters(contact.role) { "limiter" } else { "controller" },
        ));
    }
    for contact in &bench.feedback {
        items.push(format!(
            "{}: worked by contact {}, and the controller noticed",
            told(bench, contact.tells),
            contact.output
        ));
    }
    if bench.supply_switch {
        items.push("supply cut: the rail was below 0.3 V for at least 1 s".to_owned());
    }
    items.push(
        "a firing with nothing broken failed where heat was called a fault (each session on a rig begins so)"
            .to_owned(),
    );
    items
}

fn after(bench: &Bench) -> Vec<String> {
    let mut items =
        vec!["rig, dummy coils, dummy loads and jumpers out; each terminal as the photograph before shows".to_owned()];
    for zone in &bench.zones {
        let plus = format!(
            "probe {} (type {}) refitted, plus on plus, extension wire of its type",
            zone.name, zone.probe_type
        );
        items.push(plus);
    }
    if let Some(limiter) = &bench.limiter {
        items.push(format!(
            "limiter's probe (type {}) refitted in {}, plus on plus, extension wire of its type",
            limiter.probe_type, bench.zones[limiter.zone].name
        ));
        items.push(
            "limiter's contact back in the supply of the contactor or of the kiln, and the limiter reset".to_owned(),
        );
    }
    if matches!(bench.kind, BenchKind::Rig { plays: Plays::Converters, .. }) {
        items.push("the controller's own converters back in their places; they were not tested".to_owned());
    }
    for contact in &bench.contacts {
        items.push(match contact.role {
            ContactRole::TestLine => "test line: wire out, input at rest".to_owned(),
            line if ContactRole::HELD_LINES.contains(&line) => format!("{}: wire out", words(line)),
            ContactRole::Reset => "limiter's reset: wire out, its own button tried".to_owned(),
            ContactRole::LimiterSupply => "limiter's supply: switch out, its own feed back in place".to_owned(),
            other => format!("{}: its own contact refitted, and noticed by the controller", words(other)),
        });
    }
    for contact in &bench.feedback {
        items.push(format!("{}: its own wires refitted", told(bench, contact.tells)));
    }
    items.extend(settings(bench).into_iter().map(|setting| format!("read back: {setting}")));
    items.push("program and memory as they have to be for firing".to_owned());
    items
}

fn first_firing(bench: &Bench) -> Vec<String> {
    let mut items = vec![
        "earth: from the plug's pin to the case, the lid's metal and the controller's box ______ Ω".to_owned(),
        "limiter, if there is one: trip proved with its own probe, reset by hand".to_owned(),
    ];
    for zone in &bench.zones {
        items.push(format!("probe {}: warmed by hand, the reading of this zone rose and did not fall", zone.name));
    }
    for zone in &bench.zones {
        items.push(format!("element {}: on alone, and this zone warmed first", zone.name));
    }
    items.push("fired empty and watched from beginning to end, a witness cone inside, an isolator within reach away from the kiln".to_owned());
    items.push("room aired; nothing that burns near the kiln".to_owned());
    items
}

/// Whether a contact works the limiter and not the controller.
fn is_limiters(role: ContactRole) -> bool {
    matches!(role, ContactRole::Reset | ContactRole::LimiterSupply)
}

fn role(bench: &Bench, role: &RelayRole) -> String {
    match role {
        RelayRole::Safety => "safety".to_owned(),
        RelayRole::Limiter => "limiter".to_owned(),
        RelayRole::Element(zone) => format!("element.{}", bench.zones[*zone].name),
    }
}

fn told(bench: &Bench, told: Told) -> String {
    match told {
        Told::MirrorContact { relay } => format!("mirror contact of {}", role(bench, &bench.relays[relay].role)),
        Told::Current { zone: Some(zone) } => format!("feedback of current, element {}", bench.zones[zone].name),
        Told::Current { zone: None } => "feedback of current, any element".to_owned(),
        Told::LimiterTripped => "feedback that the limiter has tripped".to_owned(),
    }
}

fn words(role: ContactRole) -> &'static str {
    match role {
        ContactRole::Lid => "lid switch",
        ContactRole::Stop => "stop button",
        ContactRole::Start => "start button",
        ContactRole::Acknowledge => "acknowledge button",
        ContactRole::TestLine => "test line",
        ContactRole::ResetLine => "reset line",
        ContactRole::DataLineLow => "converters' data line, to be held low",
        ContactRole::DataLineHigh => "converters' data line, to be held high",
        ContactRole::ClockLineLow => "converters' clock line, to be held low",
        ContactRole::Reset => "limiter's reset",
        ContactRole::LimiterSupply => "limiter's supply",
    }
}
