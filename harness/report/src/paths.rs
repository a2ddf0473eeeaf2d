//! The single-fault table for the terminal and as JSON lines.

use dryfire_engine::{SingleFault, SingleFaultRow, SingleFaultTable, ZoneMeans};
use serde::Serialize;

use crate::ExitStatus;
use crate::columns::{Cell, push_row, that_fit, widths};
use crate::json::{FORMAT, line};
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

/// What stands where nothing is left.
const NO_SECOND_MEANS: &str = "no second means";

const NOTHING_INDEPENDENT: &str = "nothing independent is described in this bench file: every relay in it is worked \
                                   by the controller, so the controller itself is a single means";

const PAST_EVERY_RELAY: &str = "current flows past every relay, and no controller can cut it";

/// Columns that the names of relays need.
const NAMES_AT_LEAST: usize = 30;

/// What the table cannot know.
pub(crate) const NOTES: [&str; 4] = [
    "heat off: no current flows; at least one pole can be opened. Isolated: every pole of the supply can be opened; \
     without that the element stays live.",
    "Zones that a fault does not touch are as with nothing wrong.",
    "Coils stay on: whatever works the coils of one supply keeps all of them energised. Coils lose their supply: \
     their contacts open, unless the bench file says otherwise. Where it names no `coil supply`, one feeds them all.",
    "The table says what the wiring allows. That the controller notices and acts is for scenarios to show; a switch \
     or an open contactor is no isolation to work on the kiln.",
];

/// [`ExitStatus::Failed`] if any fault leaves a zone without a means to take the heat off, else [`ExitStatus::AllHeld`].
pub fn paths_status(table: &SingleFaultTable) -> ExitStatus {
    if table.without_second_means() > 0 { ExitStatus::Failed } else { ExitStatus::AllHeld }
}

/// The table as text, at most `width` columns.
pub fn paths_text(table: &SingleFaultTable, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    text.push_wrapped(Line::new().with(Style::Faint, "bench  "), Style::Plain, &table.bench, width);
    text.gap();
    let head = ["fails alone", "zone", "isolated", "heat off by"].map(|cell| (Style::Faint, cell.to_owned()));
    let rows = paths_rows(table);
    let widths = widths(std::iter::once(&head[..]).chain(rows.iter().map(|row| &row[..])));
    // Names need room beside what fails, or they go below it.
    if that_fit(&widths[..3], width.saturating_sub(NAMES_AT_LEAST)) == 3 {
        push_row(&mut text, &head, &widths, width);
        rows.iter().for_each(|row| push_row(&mut text, row, &widths, width));
    } else {
        for [fault, zone, isolated, by] in &rows {
            if !fault.1.is_empty() {
                text.push_wrapped(Line::new(), fault.0, &fault.1, width);
            }
            let zone = Line::new().with(zone.0, format!("  {}: ", zone.1));
            text.push_wrapped(zone, by.0, &format!("{}; isolated: {}", by.1, isolated.1), width);
        }
    }
    text.gap();
    for note in NOTES {
        text.push_wrapped(Line::new(), Style::Faint, note, width);
    }
    for zone in &table.infinite_switches {
        let note = format!(
            "An infinite switch stands in the path of zone {}: it takes part of the power away without a word, and as \
             it opens and closes by its own clock it is no means to take the heat off.",
            table.zones[*zone]
        );
        text.push_wrapped(Line::new(), Style::Faint, &note, width);
    }
    for zone in &table.without_probe {
        let note =
            format!("Zone {} has no probe of its own and is counted with every other one's.", table.zones[*zone]);
        text.push_wrapped(Line::new(), Style::Faint, &note, width);
    }
    text.gap();
    text.push_wrapped(Line::new(), Style::Strong, &paths_headline(table), width);
    text
}

/// What fails, which zones, whether they are isolated, and what takes the heat off; a line for each group of zones.
pub(crate) fn paths_rows(table: &SingleFaultTable) -> Vec<[Cell; 4]> {
    merged(table).iter().flat_map(|(label, row)| of_fault(table, label, row)).collect()
}

/// Faults of one part that leave the same: a welded relay and its output stuck on, a probe open, shorted or stuck.
fn merged(table: &SingleFaultTable) -> Vec<(String, &SingleFaultRow)> {
    let mut merged: Vec<(Vec<SingleFault>, &SingleFaultRow)> = Vec::new();
    for row in &table.rows {
        match merged.last_mut() {
            Some((faults, first)) if same_part(faults[0], row.fault) && first.zones == row.zones => {
                faults.push(row.fault);
            }
            _ => merged.push((vec![row.fault], row)),
        }
    }
    merged.into_iter().map(|(faults, row)| (label(table, &faults), row)).collect()
}

fn same_part(one: SingleFault, other: SingleFault) -> bool {
    let whole_relay = |fault| matches!(fault, SingleFault::RelayWelded { .. } | SingleFault::OutputStuckOn { .. });
    (whole_relay(one) && whole_relay(other) && one.relay() == other.relay())
        || (one.probe().is_some() && one.probe() == other.probe())
}

fn label(table: &SingleFaultTable, faults: &[SingleFault]) -> String {
    let state = |fault: &SingleFault| match fault {
        SingleFault::Nothing => "nothing".to_owned(),
        SingleFault::RelayWelded { .. } => "welded".to_owned(),
        SingleFault::PoleWelded { pole, .. } => format!("welded in pole {}", pole + 1),
        SingleFault::OutputStuckOn { .. } => "output stuck on".to_owned(),
        SingleFault::CoilsStayOn { .. } => "stay on".to_owned(),
        SingleFault::CoilsLoseSupply { .. } => "lose their supply".to_owned(),
        SingleFault::BypassClosed { .. } => "bypass closed".to_owned(),
        SingleFault::ProbeOpen { .. } => "open".to_owned(),
        SingleFault::ProbeShort { .. } => "shorted".to_owned(),
        SingleFault::ProbeStuck { .. } => "stuck".to_owned(),
        SingleFault::ProcessorHalted => "processor halts".to_owned(),
    };
    let states: Vec<String> = faults.iter().map(state).collect();
    let states = states.join("/");
    if let Some(supply) = faults[0].coil_supply() {
        return match table.coil_supplies.as_slice() {
            [_] => format!("all coils {states}"),
            several => format!("coils on {} {states}", several[supply]),
        };
    }
    match (faults[0].relay(), faults[0].probe()) {
        (Some(relay), _) => format!("{} {states}", table.relays[relay]),
        (_, Some(zone)) => format!("probe {} {states}", table.zones[zone]),
        _ => states,
    }
}

/// One line for each group of zones that the fault leaves the same.
fn of_fault(table: &SingleFaultTable, label: &str, row: &SingleFaultRow) -> Vec<[Cell; 4]> {
    let everything = row.fault == SingleFault::Nothing;
    let mut groups: Vec<(Vec<&str>, &ZoneMeans)> = Vec::new();
    for means in row.zones.iter().filter(|means| means.touched || everything) {
        let name = table.zones.get(means.zone).map_or("?", String::as_str);
        match groups.iter_mut().find(|(_, first)| first.poles == means.poles) {
            Some((names, _)) => names.push(name),
            None => groups.push((vec![name], means)),
        }
    }
    if groups.is_empty() {
        let plain = |cell: &str| (Style::Plain, cell.to_owned());
        return vec![[plain(label), plain("-"), plain("-"), plain("stands in no path")]];
    }
    let lines = groups.iter().enumerate().map(|(index, (names, means))| {
        let zones = if names.len() == row.zones.len() && names.len() > 1 { "all".to_owned() } else { names.join(", ") };
        let isolated = if means.isolated() { (Style::Plain, "yes") } else { (Style::Inconclusive, "no") };
        [
            (Style::Strong, if index == 0 { label.to_owned() } else { String::new() }),
            (Style::Plain, zones),
            (isolated.0, isolated.1.to_owned()),
            heat_off(table, row, means),
        ]
    });
    lines.collect()
}

fn heat_off(table: &SingleFaultTable, row: &SingleFaultRow, means: &ZoneMeans) -> Cell {
    if !means.heat_off() {
        let why = match row.fault {
            SingleFault::ProcessorHalted => format!("{NO_SECOND_MEANS}: {NOTHING_INDEPENDENT}"),
            SingleFault::BypassClosed { .. } => format!("{NO_SECOND_MEANS}: {PAST_EVERY_RELAY}"),
            SingleFault::Nothing => "no means at all: no relay stands in the path".to_owned(),
            _ => NO_SECOND_MEANS.to_owned(),
        };
        return (Style::Uncovered, why);
    }
    let names: Vec<&str> = means.openers().iter().map(|relay| table.relays[*relay].as_str()).collect();
    let names = names.join(", ");
    let note = if row.needs_notice() {
        "; if the controller notices"
    } else if row.hides() {
        "; the weld hides"
    } else {
        ""
    };
    (Style::Plain, format!("{names}{note}"))
}

pub(crate) fn paths_headline(table: &SingleFaultTable) -> String {
    let faults = table.rows.iter().filter(|row| row.fault != SingleFault::Nothing);
    let without = faults.clone().filter(|row| row.without_second_means().next().is_some()).count();
    let count = faults.count();
    format!(
        "{without} of {count} single faults {} no second means to take the heat off",
        if without == 1 { "leaves" } else { "leave" }
    )
}

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Paths {
        format: u32,
        bench: &'a str,
        zones: &'a [String],
        relays: &'a [String],
    },
    Fault {
        fault: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        relay: Option<&'a str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        pole: Option<usize>,
        #[serde(skip_serializing_if = "Option::is_none")]
        probe: Option<&'a str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        coil_supply: Option<&'a str>,
        hides: bool,
        needs_notice: bool,
        second_means: bool,
        zones: Vec<ZoneRecord<'a>>,
    },
    Summary {
        faults: usize,
        without_second_means: usize,
        headline: String,
        exit_code: u8,
    },
}

#[derive(Serialize)]
struct ZoneRecord<'a> {
    zone: &'a str,
    touched: bool,
    heat_off_by: Vec<&'a str>,
    heat_off: bool,
    isolated: bool,
    poles: Vec<Vec<&'a str>>,
}

/// The table as JSON lines, as `docs/process-safety-time.md` says.
pub fn paths_json(table: &SingleFaultTable) -> String {
    let relay = |relay: usize| table.relays[relay].as_str();
    let mut lines =
        line(&Record::Paths { format: FORMAT, bench: &table.bench, zones: &table.zones, relays: &table.relays });
    for row in &table.rows {
        let zones = row.zones.iter().map(|means| ZoneRecord {
            zone: table.zones.get(means.zone).map_or("?", String::as_str),
            touched: means.touched,
            heat_off_by: means.openers().into_iter().map(relay).collect(),
            heat_off: means.heat_off(),
            isolated: means.isolated(),
            poles: means.poles.iter().map(|pole| pole.iter().map(|it| relay(*it)).collect()).collect(),
        });
        lines.push_str(&line(&Record::Fault {
            fault: row.fault.word(),
            relay: row.fault.relay().map(relay),
            pole: match row.fault {
                SingleFault::PoleWelded { pole, .. } => Some(pole + 1),
                _ => None,
            },
            probe: row.fault.probe().map(|zone| table.zones[zone].as_str()),
            coil_supply: row.fault.coil_supply().map(|supply| table.coil_supplies[supply].as_str()),
            hides: row.hides(),
            needs_notice: row.needs_notice(),
            second_means: row.without_second_means().next().is_none(),
            zones: zones.collect(),
        }));
    }
    lines.push_str(&line(&Record::Summary {
        faults: table.rows.len().saturating_sub(1),
        without_second_means: table.without_second_means(),
        headline: paths_headline(table),
        exit_code: paths_status(table).code(),
    }));
    lines
}
