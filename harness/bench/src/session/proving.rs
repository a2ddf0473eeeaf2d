//! The proving run: shows that a session's bench can see heat, and that it can fail.
//!
//! A pass that rests on relays being off means something only where each of them
//! has been seen on. Usually the scenarios of a session show that by themselves.
//! If they do not, one short firing in which nothing is broken is added at the
//! end: it waits for each relay in turn, and expects on purpose what must fail.
//! On real wires it is made in every session and first, as the negative control
//! without which no pass counts; last where nothing but the end of its supply
//! stops the firing.

use dryfire_engine::{Binding, Plan, ScenarioResult};
use dryfire_judge::Verdict;
use dryfire_scenario::{Bench as BenchFile, ContactRole, RelayRole, parse_scenario};

/// How the proving run is called in logs.
pub(super) const NAME: &str = "proving the bench";

/// A firing in which every relay of the bench has to come on; `None` if there is none
/// that this bench can play.
pub(super) fn plan(like: &Plan) -> Option<Plan> {
    let (scenario, _) = parse_scenario(NAME, &scenario(&like.bench)).ok()?;
    match Plan::bind(&scenario, &like.bench, &like.kiln) {
        Ok(Binding::Ready(plan)) => Some(*plan),
        Ok(Binding::NotApplicable { .. } | Binding::Uncovered { .. }) | Err(_) => None,
    }
}

/// Whether the run shows what it is for. What has to fail must have failed: a bench that
/// passes everything passes nothing.
pub(super) fn succeeded(result: &ScenarioResult) -> bool {
    result.verdict == Some(Verdict::Fail)
        && result.findings.iter().all(|report| report.finding.verdict == Verdict::Fail)
}

/// What the run came to instead of what it is for.
pub(super) fn why_not(result: &ScenarioResult) -> String {
    if let Some(trouble) = &result.trouble {
        return format!("{} ({})", trouble.detail, trouble.kind.word());
    }
    let findings = result.findings.iter().filter(|report| report.finding.verdict != Verdict::Fail);
    let findings = findings
        .map(|report| format!("{}: {} ({})", report.name, report.finding.verdict, report.finding.reason.word()));
    findings.chain(result.remarks.iter().cloned()).collect::<Vec<_>>().join("; ")
}

/// Whether the run can end its own firing, so that another one can follow.
pub(super) fn can_stop(bench: &BenchFile) -> bool {
    bench.contacts.iter().any(|contact| contact.role == ContactRole::Stop)
}

fn scenario(bench: &BenchFile) -> String {
    let mut relays: Vec<String> = bench
        .relays
        .iter()
        .map(|relay| match &relay.role {
            RelayRole::Safety => "safety closed".to_owned(),
            RelayRole::Limiter => "limiter closed".to_owned(),
            RelayRole::Element(zone) => format!("element.{} on", bench.zones[*zone].name),
        })
        .collect();
    relays.dedup();
    let steps: String = relays.iter().map(|relay| format!("  - {{ when: {relay}, within: 10 min }}\n")).collect();
    let stop = if can_stop(bench) {
        "  - { wait: 500 ms, do: { press: stop } }\n  - { wait: 1 s, do: { release: stop } }\n"
    } else {
        ""
    };
    format!(
        "format: 1\n\
         scenario: {NAME}\n\
         hazards: [bench]\n\
         why: A relay that was never seen on proves nothing by being off.\n\
         limits from: none; what is expected here has to fail\n\
         start: {{ kiln: cold }}\n\
         firing: [{{ ramp: 100 °C/h, to: 200 °C }}]\n\
         script:\n  - begin firing\n{steps}  - {{ wait: 1 s, call it: seen }}\n{stop}\
         expect:\n  - {{ name: fails on purpose, never: element on }}\n\
         end: 3 s after seen\n"
    )
}
