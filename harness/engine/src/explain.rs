//! A scenario in words: what it guards against, what is done, and for each
//! expectation what it means on a bench, what would fail it, what would leave
//! it undecided, and what nobody can see that way.

mod claims;
mod known;

use dryfire_scenario::{
    Bench, BenchKind, ContactRole, Missing, Scenario, Segment, Senses, Step, StepKind, Stimulus, TimeLimit,
};
use dryfire_units::RigSpan;

use crate::plan::{Binding, Plan, relay_name};
use crate::words::{celsius, program, stimulus};

use claims::{expectation, signals};

/// A scenario in words, in the order in which it is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Explanation {
    /// The scenario's name.
    pub scenario: String,
    /// Its parts.
    pub parts: Vec<ExplanationPart>,
}

/// A part of an explanation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExplanationPart {
    /// What it is about.
    pub heading: String,
    /// Paragraphs, each with a label in front (empty: none).
    pub paragraphs: Vec<(String, String)>,
}

impl ExplanationPart {
    fn new(heading: impl Into<String>) -> Self {
        ExplanationPart { heading: heading.into(), paragraphs: Vec::new() }
    }

    fn say(&mut self, label: &str, text: impl Into<String>) {
        self.paragraphs.push((label.to_owned(), text.into()));
    }
}

/// Explains a scenario on a bench, given what binding the two came to.
pub fn explain(scenario: &Scenario, bench: &Bench, binding: &Binding) -> Explanation {
    let mut parts = vec![purpose(scenario), script(scenario, bench)];
    match binding {
        Binding::Ready(plan) => {
            for (written, bound) in scenario.expect.iter().zip(&plan.expectations) {
                parts.push(expectation(scenario, plan, written, bound));
            }
            parts.push(known::known(&plan.uncertainties));
            parts.push(unseen(scenario, plan));
        }
        Binding::NotApplicable { reason } => {
            let mut part = ExplanationPart::new("On this bench");
            part.say("not applicable", format!("{reason}. The scenario is not run and says nothing about the hazard."));
            parts.push(part);
        }
        Binding::Uncovered { reason } => {
            let mut part = ExplanationPart::new("On this bench");
            part.say(
                "uncovered",
                format!("{reason}. The hazard is there and nothing meets it: that is a finding, without any run."),
            );
            parts.push(part);
        }
    }
    Explanation { scenario: scenario.name.clone(), parts }
}

fn purpose(scenario: &Scenario) -> ExplanationPart {
    let mut part = ExplanationPart::new("What it is for");
    let hazards: Vec<&str> = scenario.hazards.iter().map(|hazard| hazard.value.0.as_str()).collect();
    part.say("hazards", hazards.join(", "));
    part.say("why", &*scenario.why);
    part.say("limits from", &*scenario.limits_from);
    for need in &scenario.needs {
        let meaning = match need.missing {
            Missing::NotApplicable => "without it the hazard cannot occur, and the scenario is not applicable",
            Missing::Uncovered => "without it the hazard is there and nothing meets it: uncovered",
        };
        part.say("needs", format!("{}: {meaning}", part_name(&need.part.value)));
    }
    part
}

fn part_name(part: &dryfire_scenario::NeededPart) -> String {
    use dryfire_scenario::{NeededPart, RelaySelector};
    match part {
        NeededPart::Contact(role) => format!("{} contact", role.word()),
        NeededPart::Supply => "a switch for the controller's supply".to_owned(),
        NeededPart::Limiter => "an independent limiter".to_owned(),
        NeededPart::MeansToCut(RelaySelector::Safety) => "a second means to cut beside the contactor".to_owned(),
        NeededPart::MeansToCut(RelaySelector::Element(zone)) => {
            format!("a second means to cut beside the relay element{zone}")
        }
        NeededPart::Mechanical(RelaySelector::Safety) => "a mechanical contactor".to_owned(),
        NeededPart::Mechanical(RelaySelector::Element(zone)) => format!("a mechanical relay element{zone}"),
        NeededPart::Zones(count) => format!("{count} zones"),
        NeededPart::LongestFiring(length) => format!("a longest firing of {length} or more"),
    }
}

fn script(scenario: &Scenario, bench: &Bench) -> ExplanationPart {
    let mut part = ExplanationPart::new("What is done");
    let start = &scenario.start;
    let kiln = if start.kiln_millicelsius == start.ambient_millicelsius {
        format!("cold, at {}", celsius(start.ambient_millicelsius))
    } else {
        format!("soaked at {}, in air of {}", celsius(start.kiln_millicelsius), celsius(start.ambient_millicelsius))
    };
    part.say("kiln", kiln);
    if !scenario.firing.is_empty() {
        part.say("firing", firing(&scenario.firing));
    }
    for (index, step) in scenario.script.iter().enumerate() {
        part.say(&format!("{}.", index + 1), self::step(step, bench, &scenario.firing));
    }
    let after = match &scenario.end.moment {
        Some(moment) => format!("{} after {}", time(&scenario.end.offset, bench), moment.value.0),
        None => format!("{} after its beginning", time(&scenario.end.offset, bench)),
    };
    part.say("end", format!("The run is over {after}."));
    part
}

fn firing(segments: &[Segment]) -> String {
    let parts: Vec<String> = segments
        .iter()
        .map(|segment| match segment {
            Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => {
                format!("{}/h to {}", celsius(*rate_millicelsius_per_hour), celsius(*to_millicelsius))
            }
            Segment::Hold { length } => format!("hold for {}", spell(*length)),
        })
        .collect();
    parts.join(", then ")
}

fn step(step: &Step, bench: &Bench, segments: &[Segment]) -> String {
    let waits = match &step.kind {
        StepKind::BeginFiring => begins(bench, segments),
        StepKind::When { condition, patience } => {
            format!(
                "Wait until {condition}, for {} at the most; if it never comes, the run is inconclusive.",
                spell(*patience)
            )
        }
        StepKind::Wait(length) if *length == RigSpan::ZERO => "At once.".to_owned(),
        StepKind::Wait(length) => format!("Wait for {}.", spell(*length)),
        StepKind::At { moment, offset } if *offset == TimeLimit::Span(RigSpan::ZERO) => {
            format!("Wait for the moment {}.", moment.value.0)
        }
        StepKind::At { moment, offset } => format!("Wait until {} after {}.", time(offset, bench), moment.value.0),
    };
    let mut text = waits;
    if !step.stimuli.is_empty() {
        let done: Vec<String> = step.stimuli.iter().map(|done| stimulus(&done.value)).collect();
        text.push_str(&format!(" Then: {}.", done.join("; ")));
    }
    if let Some(name) = &step.call_it {
        text.push_str(&format!(" This moment is called {}.", name.value.0));
    }
    text
}

fn begins(bench: &Bench, segments: &[Segment]) -> String {
    use dryfire_scenario::{BeginFiring, ClearFault};
    let quoted = |lines: &[String]| {
        let lines = lines.iter().map(|line| format!("`{}`", line.replace("{program}", &program(segments))));
        lines.collect::<Vec<String>>().join(", ")
    };
    let cleared = match &bench.clear_fault {
        None => String::new(),
        Some(ClearFault::Console { lines }) => {
            format!("Before, a fault that is still latched is cleared over the console: {}. ", quoted(lines))
        }
        Some(ClearFault::Contact { press }) => {
            format!("Before, a fault that is still latched is cleared by pressing acknowledge for {}. ", spell(*press))
        }
    };
    let begun = match &bench.begin {
        BeginFiring::Console { lines } => format!("The firing is begun over the console: {}.", quoted(lines)),
        BeginFiring::Contact { press } => format!("The firing is begun by pressing start for {}.", spell(*press)),
        BeginFiring::Operator => "The operator begins the firing and says so.".to_owned(),
    };
    format!("{cleared}{begun} This moment is called begin.")
}

/// A length of time with what it is on this bench.
fn time(limit: &TimeLimit, bench: &Bench) -> String {
    let with = |declared: RigSpan, what: &str, plus: RigSpan| {
        if plus == RigSpan::ZERO {
            format!("{} ({what})", spell(declared))
        } else {
            let (whole, declared) = (spell(declared + plus), spell(declared));
            format!("{whole} ({what} of {declared}, and {})", spell(plus))
        }
    };
    match limit {
        TimeLimit::Span(span) => spell(*span),
        TimeLimit::LongestFiring { plus } => with(bench.declares.longest_firing, "the declared longest firing", *plus),
        TimeLimit::CycleTime { times, plus } => {
            let what = if *times == 1 {
                "the declared cycle time".to_owned()
            } else {
                format!("{times} declared cycle times")
            };
            with(bench.declares.cycle_time.times(i64::from(*times)), &what, *plus)
        }
        TimeLimit::Reaction { hazard, otherwise, plus } => {
            let id = &hazard.value.0;
            let declared = bench.declares.reactions.iter().find(|(known, _)| known == id);
            match (declared, otherwise) {
                (Some((_, reaction)), _) => with(*reaction, &format!("the declared reaction to {id}"), *plus),
                (None, Some(otherwise)) => with(*otherwise, &format!("no reaction to {id} is declared"), *plus),
                (None, None) => format!("the declared reaction to {id}"),
            }
        }
        TimeLimit::HalfSafetyTime { hazard, at_most } => {
            let of = hazard.as_ref().map_or_else(String::new, |hazard| format!(" of {}", hazard.value.0));
            let most = at_most.map_or_else(String::new, |most| format!(", {} at most", spell(most)));
            format!("half the process safety time{of}{most}")
        }
    }
}

/// A length of time exactly, in hours, minutes and seconds; milliseconds below one second.
fn spell(span: RigSpan) -> String {
    let micros = span.as_micros();
    let sign = if micros < 0 { "-" } else { "" };
    let micros = micros.unsigned_abs();
    let decimal = |value: u64, thousandths: u64| {
        let text = format!("{value}.{thousandths:03}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    if micros > 0 && micros < 1_000_000 {
        return format!("{sign}{} ms", decimal(micros / 1_000, micros % 1_000));
    }
    let (hours, minutes) = (micros / 3_600_000_000, micros / 60_000_000 % 60);
    let seconds = micros % 60_000_000;
    let mut parts = Vec::new();
    if hours > 0 {
        parts.push(format!("{hours} h"));
    }
    if minutes > 0 {
        parts.push(format!("{minutes} min"));
    }
    if seconds > 0 || parts.is_empty() {
        // Microseconds of a length beyond a second say nothing to a reader; they are cut.
        parts.push(format!("{} s", decimal(seconds / 1_000_000, seconds / 1_000 % 1_000)));
    }
    format!("{sign}{}", parts.join(" "))
}

/// What a pass of this scenario on this bench cannot show.
fn unseen(scenario: &Scenario, plan: &Plan) -> ExplanationPart {
    let mut part = ExplanationPart::new("What it cannot see");
    let bench = &plan.bench;
    let commands: Vec<String> = bench
        .relays
        .iter()
        .filter(|relay| relay.senses == Senses::Command)
        .map(|relay| relay_name(bench, &relay.role))
        .collect();
    if !commands.is_empty() {
        part.say(
            "contacts",
            format!(
                "Sensed of {} is the command or the coil. That a contact opened is taken from the release time in the \
                 bench file, not seen.",
                commands.join(", ")
            ),
        );
    }
    let names: Vec<&str> =
        plan.expectations.iter().flat_map(signals).map(|signal| plan.table.get(signal).name.as_str()).collect();
    let is_model = |name: &&str| plan.table.find(name).is_some_and(|id| plan.table.get(id).model_error > 0);
    if names.iter().any(is_model) {
        part.say(
            "kiln",
            "Temperatures of the kiln are the model's, from the kiln file. The stated error is that of its arithmetic; \
             how well the file describes a real kiln is not in it.",
        );
    }
    if names.iter().any(|name| name.starts_with("heat") || name.starts_with("isolated")) {
        part.say(
            "current",
            "Whether current flows, and whether a pole is open, follows from the sensed relays and the power paths in \
             the bench file; no current is measured.",
        );
    }
    let modelled = scenario.script.iter().flat_map(|step| &step.stimuli).any(|done| {
        matches!(
            done.value,
            Stimulus::Relay { .. }
                | Stimulus::FreeRelay { .. }
                | Stimulus::LoseElement { .. }
                | Stimulus::CoilSupply { .. }
                | Stimulus::Bypass { .. }
        )
    });
    if modelled {
        part.say(
            "relay faults",
            "A weld, a contact that sticks, a lost element, a lost supply of the coils and a closed bypass happen in \
             the model, not in a part.",
        );
    }
    let works = |role: ContactRole| {
        let mut stimuli = scenario.script.iter().flat_map(|step| &step.stimuli);
        stimuli.any(|done| matches!(done.value, Stimulus::Contact { contact, .. } if contact == role))
    };
    if works(ContactRole::ResetLine) {
        part.say(
            "reset",
            "The processor's reset line is held. What resets itself by a dip of its supply, a panic or its watchdog may \
             come up with other outputs, or remember more.",
        );
    }
    if [ContactRole::DataLineLow, ContactRole::DataLineHigh, ContactRole::ClockLineLow].into_iter().any(works) {
        part.say(
            "bus",
            "A line is held where the contact is wired. A line that floats, a part that answers for another, and single \
             bits that turn over in a word are something else.",
        );
    }
    if works(ContactRole::TestLine) {
        part.say(
            "hang",
            "The program stands still where its author has put that in for the test. A bus that is held low, a clock \
             that stops or an interrupt that never ends may leave the watchdog fed, or another output on.",
        );
    }
    if names.iter().any(|name| name.starts_with("console")) {
        part.say("console", "What the controller writes is its own word for what it does.");
    }
    if matches!(bench.kind, BenchKind::Virtual(_)) {
        part.say("controller", "This bench runs the stand-in controller. It says nothing about yours.");
    }
    if names.iter().any(|name| name.contains("set-point")) {
        part.say(
            "set-point",
            "What the controller says that it aims at is its own word; whether it is true shows in the heat.",
        );
    } else {
        part.say("set-point", "What the controller aims at is known to nobody else; judged is only what it does.");
    }
    part.say(
        "never on a bench",
        "Ratings of contactor and cable, terminals, heat in the box, probe life, and all that is wrong with the kiln \
         itself. A pass is evidence about a controller, not approval of a kiln.",
    );
    part
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(0, "0 s")]
    #[case(600_000, "600 ms")]
    #[case(1_500, "1.5 ms")]
    #[case(1_900_000, "1.9 s")]
    #[case(60_000_000, "1 min")]
    #[case(50_459_900_000, "14 h 59.9 s")]
    #[case(-5_000_000, "-5 s")]
    fn lengths_of_time_are_spelt_for_people(#[case] micros: i64, #[case] spelt: &str) {
        assert_eq!(spell(RigSpan::from_micros(micros)), spelt);
    }
}
