//! Invented sessions: every verdict and every way of not running.
#![expect(dead_code, reason = "every test binary uses its own part")]

use dryfire_engine::{
    Applicability, Contribution, ContributionSpread, Event, FindingReport, RelaysSeen, RigCounters, ScenarioResult,
    Trouble, TroubleKind, Uncertainties, UncertaintyBudget, UncertaintySource,
};
use dryfire_judge::{Finding, Margin, Reason, SignalId, SignalKind, SignalSpec, SignalTable, Verdict};
use dryfire_report::{NotRun, RunHead, SessionHead};
use dryfire_units::{RigSpan, RigTime};

pub(crate) fn head() -> SessionHead {
    SessionHead {
        repeat: 1,
        bench: "kitchen table".to_owned(),
        bench_kind: "virtual".to_owned(),
        controller: "three-ring controller, second board".to_owned(),
        firmware_version: Some("0.3.1".to_owned()),
        defects: Vec::new(),
        seed: 42,
        scenarios: 2,
        tool: "dryfire 0.1.0".to_owned(),
    }
}

pub(crate) fn at(seconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_seconds(seconds)
}

pub(crate) fn seconds(millis: i64) -> Option<Margin> {
    Some(Margin::Time(RigSpan::from_millis(millis)))
}

pub(crate) fn degrees(millis: i64) -> Option<Margin> {
    Some(Margin::Temperature(millis))
}

pub(crate) fn finding(name: &str, verdict: Verdict, reason: Reason) -> FindingReport {
    FindingReport {
        name: name.to_owned(),
        hazards: Vec::new(),
        expected: String::new(),
        seen: String::new(),
        coverage_hundredths: 200,
        finding: Finding {
            expectation: 0,
            verdict,
            reason,
            margin: None,
            decided_at: None,
            seen: None,
            uncertainty: None,
            model_error: None,
            vacuous: false,
        },
    }
}

pub(crate) fn result(
    scenario: &str,
    hazards: &[&str],
    verdict: Option<Verdict>,
    findings: Vec<FindingReport>,
) -> ScenarioResult {
    let hazards: Vec<String> = hazards.iter().map(|id| (*id).to_owned()).collect();
    let mut findings = findings;
    for (index, report) in findings.iter_mut().enumerate() {
        report.finding.expectation = index;
        if report.hazards.is_empty() {
            report.hazards.clone_from(&hazards);
        }
    }
    ScenarioResult {
        scenario: scenario.to_owned(),
        hazards,
        applicability: Applicability::Ran,
        verdict,
        findings,
        remarks: Vec::new(),
        trouble: None,
        relays_seen: RelaysSeen::default(),
        heat_work: Vec::new(),
        counters: RigCounters::default(),
        seed: 0x9e37_79b9_7f4a_7c15,
        length: at(11_520),
    }
}

pub(crate) fn passed() -> ScenarioResult {
    let mut cut = finding("heat is cut", Verdict::Pass, Reason::Held);
    cut.expected = "heat is cut at most 10 s after burn-out".to_owned();
    cut.seen = "heat was cut 3.188 s after burn-out".to_owned();
    cut.finding.margin = seconds(6_812);
    cut.finding.seen = seconds(3_188);
    cut.finding.uncertainty = seconds(120);
    cut.finding.decided_at = Some(at(9_663));
    let mut cool = finding("never too hot", Verdict::Pass, Reason::Held);
    cool.expected = "kiln below 1300 °C all the time".to_owned();
    cool.seen = "402.5 °C at the most".to_owned();
    cool.finding.margin = degrees(897_412);
    cool.finding.seen = degrees(402_588);
    cool.finding.uncertainty = degrees(0);
    cool.finding.model_error = degrees(2_000);
    cool.finding.decided_at = Some(at(11_520));
    result("the probe burns out while the kiln climbs", &["probe-open"], Some(Verdict::Pass), vec![cut, cool])
}

pub(crate) fn failed() -> ScenarioResult {
    let mut late = finding("heat is cut", Verdict::Fail, Reason::HeatCutLate);
    late.expected = "heat is cut at most 2 s after the weld".to_owned();
    late.seen = "heat was cut 14.206 s after the weld".to_owned();
    late.finding.margin = seconds(-12_206);
    late.finding.seen = seconds(14_206);
    late.finding.uncertainty = seconds(120);
    late.finding.decided_at = Some(at(7_202));
    let mut hot = finding("never past the set-point by 50 °C", Verdict::Fail, Reason::LimitExceeded);
    hot.expected = "kiln below 1050 °C all the time".to_owned();
    hot.seen = "1058.7 °C at the most".to_owned();
    hot.finding.margin = degrees(-8_731);
    hot.finding.seen = degrees(1_058_731);
    hot.finding.model_error = degrees(2_000);
    hot.finding.decided_at = Some(at(7_395));
    let mut held = finding("the other rings go off", Verdict::Pass, Reason::Held);
    held.finding.margin = seconds(900);
    result(
        "the middle ring's relay welds shut while the kiln climbs",
        &["relay-welded", "runaway"],
        Some(Verdict::Fail),
        vec![held, hot, late],
    )
}

pub(crate) fn inconclusive() -> ScenarioResult {
    let mut open = finding("and stays off", Verdict::Inconclusive, Reason::StillOpen);
    open.expected = "no element on from 10 s after lid-opened to the end".to_owned();
    open.seen = "nothing against it until the run ended".to_owned();
    let mut close = finding("heat is cut", Verdict::Inconclusive, Reason::InsideGuardBand);
    close.expected = "heat is cut at most 0.5 s after lid-opened".to_owned();
    close.seen = "heat was cut 0.462 s after lid-opened".to_owned();
    close.finding.margin = seconds(38);
    close.finding.seen = seconds(462);
    close.finding.uncertainty = seconds(50);
    close.finding.decided_at = Some(at(3_600));
    let mut result =
        result("the lid is opened at full heat", &["lid-open"], Some(Verdict::Inconclusive), vec![close, open]);
    result.remarks = vec!["2 relay edges were lost between 58 min and 59 min".to_owned()];
    result.counters.lost_edges = 2;
    result.counters.late_setpoints = 1;
    result
}

pub(crate) fn error() -> ScenarioResult {
    let open = finding("heat is cut", Verdict::Inconclusive, Reason::NotObserved);
    let mut result = result("the supply dips for 20 ms", &["supply-dip"], Some(Verdict::Error), vec![open]);
    result.trouble = Some(Trouble { kind: TroubleKind::LinkLost, detail: "nothing heard for 1.2 s".to_owned() });
    result.remarks = vec!["link-lost: nothing heard for 1.2 s".to_owned()];
    result
}

pub(crate) fn error_with_fail() -> ScenarioResult {
    let mut on = finding("nothing on after stop", Verdict::Fail, Reason::Violated);
    on.expected = "no element on from 0.5 s after stop-pressed to the end".to_owned();
    on.seen = "element.top on at 41 min 10.0 s".to_owned();
    on.finding.decided_at = Some(at(2_470));
    let mut result = result("stop is pressed twice", &["stop"], Some(Verdict::Error), vec![on]);
    result.trouble = Some(Trouble {
        kind: TroubleKind::ProgramEnded,
        detail: "exit status 139; it said last: `stack overflow`".to_owned(),
    });
    result.length = at(2_471);
    result
}

pub(crate) fn uncovered() -> ScenarioResult {
    let mut result = result("a relay welds after the firing", &["relay-welded-idle"], None, Vec::new());
    result.applicability = Applicability::Uncovered {
        reason: "zone bottom has one relay and nothing in series with it: a weld leaves nothing that opens".to_owned(),
    };
    result
}

pub(crate) fn not_applicable() -> ScenarioResult {
    let mut result = result("two probes disagree", &["probes-disagree"], None, Vec::new());
    result.applicability =
        Applicability::NotApplicable { reason: "needs at least 2 zones; the bench has 1".to_owned() };
    result
}

pub(crate) fn not_run() -> NotRun {
    NotRun { run: 9, scenario: "the firing is never finished".to_owned(), hazards: vec!["stall".to_owned()] }
}

/// One of each, the good one first.
pub(crate) fn one_of_each() -> Vec<ScenarioResult> {
    vec![passed(), not_applicable(), inconclusive(), uncovered(), error(), failed(), error_with_fail()]
}

pub(crate) fn signals() -> SignalTable {
    let mut table = SignalTable::default();
    table.add(SignalSpec {
        name: "kiln".to_owned(),
        kind: SignalKind::Temperature,
        value_uncertainty: 0,
        model_error: 2_000,
        time_uncertainty: RigSpan::ZERO,
        release: RigSpan::ZERO,
    });
    table.add(SignalSpec {
        name: "heat".to_owned(),
        kind: SignalKind::Switch,
        value_uncertainty: 0,
        model_error: 0,
        time_uncertainty: RigSpan::from_millis(20),
        release: RigSpan::from_millis(100),
    });
    table
}

pub(crate) fn run_head() -> RunHead {
    let scenario = passed();
    RunHead {
        repetition: None,
        run: 1,
        scenario: scenario.scenario,
        hazards: scenario.hazards,
        seed: scenario.seed,
        signals: signals(),
        uncertainties: uncertainties(),
    }
}

fn uncertainties() -> Uncertainties {
    let line =
        |source, half_width, spread, standard, stated| Contribution { source, half_width, spread, standard, stated };
    let over = RigSpan::from_seconds(70);
    Uncertainties {
        edge_time: UncertaintyBudget {
            contributions: vec![
                line(UncertaintySource::SensingDelay, 17_320_508, ContributionSpread::Rectangular, 10_000_000, true),
                line(UncertaintySource::ClockDrift(over), 7_000, ContributionSpread::Rectangular, 4_042, false),
            ],
            standard: 10_000_001,
            degrees_of_freedom: None,
            coverage_hundredths: 200,
            expanded: Margin::Time(RigSpan::from_micros(20_001)),
        },
        shown_temperature: UncertaintyBudget {
            contributions: vec![line(
                UncertaintySource::Calibration,
                1_000_000,
                ContributionSpread::Normal(200),
                500_000,
                true,
            )],
            standard: 500_000,
            degrees_of_freedom: Some(4),
            coverage_hundredths: 287,
            expanded: Margin::Temperature(1_435),
        },
    }
}

/// What happens in the run that [`passed`] is the result of.
pub(crate) fn events() -> Vec<Event> {
    let (kiln, heat) = (SignalId(0), SignalId(1));
    vec![
        Event::Began,
        Event::Moment { at: at(5), name: "begin".to_owned(), uncertainty: RigSpan::ZERO },
        Event::Switched { at: at(6), signal: heat, on: true },
        Event::Sampled { at: at(9_659), signal: kiln, value: 399_980 },
        Event::Sampled { at: at(9_660), signal: kiln, value: 400_021 },
        Event::Moment { at: at(9_660), name: "burn-out".to_owned(), uncertainty: RigSpan::ZERO },
        Event::Stimulus { at: at(9_660), text: "open the probe of every zone".to_owned() },
        Event::Console { at: at(9_662), line: "probe \u{1b}[31mlost".to_owned() },
        Event::Switched { at: RigTime::ZERO + RigSpan::from_millis(9_663_188), signal: heat, on: false },
        Event::Decided { at: at(9_724), finding: passed().findings[0].finding.clone() },
        Event::Decided { at: at(11_520), finding: passed().findings[1].finding.clone() },
        Event::Ended { at: at(11_520), cut_short: false },
    ]
}
