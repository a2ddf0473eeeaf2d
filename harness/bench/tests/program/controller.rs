//! The controller in `tests/controllers/controller.py`, written from the page
//! alone, in a closed loop with a kiln of a few lines: the program bench
//! carries a whole firing, and every hazard through it.

use dryfire_engine::{CommandKind, ProbeSignal};
use dryfire_scenario::Segment;
use dryfire_units::{RigSpan, RigTime};
use rstest::rstest;

use crate::support::{Session, bench_file, controller, need_python, type_k};

const STEP: RigSpan = RigSpan::from_millis(200);
/// Heating and loss of one zone: 1080 °C/h at first, at most about 1500 °C.
const HEATING_PER_SECOND: f64 = 0.3;
const LOSS_PER_SECOND: f64 = 1.0 / 5000.0;
const SAFETY: u8 = 2;

/// What one zone's probe shows.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Probe {
    Good,
    Open,
    /// Shorted: no voltage.
    Short,
    /// The leads swapped: the voltage's sign too.
    Reversed,
    Frozen(i64),
    Offset(i64),
}

/// Controller, bench and kiln.
struct Loop {
    session: Session,
    zones: [f64; 2],
    probes: [Probe; 2],
    welded: Option<usize>,
    elements_dead: bool,
    /// Relays by input: true when on.
    on: [bool; 3],
    edges_seen: usize,
    /// When an element last carried current.
    last_heat: RigTime,
    hottest: f64,
}

impl Loop {
    fn new(words: &str, firing: &[Segment], change: impl FnOnce(&mut dryfire_scenario::Bench)) -> Self {
        let mut file = bench_file(controller(words), RigSpan::from_seconds(20));
        change(&mut file);
        let mut session = Session::new(&file);
        session.begin(firing).expect("the controller starts");
        Loop {
            session,
            zones: [20.0; 2],
            probes: [Probe::Good; 2],
            welded: None,
            elements_dead: false,
            on: [false; 3],
            edges_seen: 0,
            last_heat: RigTime::ZERO,
            hottest: 20.0,
        }
    }

    /// A loop whose firing has begun.
    fn firing(words: &str, firing: &[Segment]) -> Self {
        Self::firing_with(words, firing, |_| {})
    }

    fn firing_with(words: &str, firing: &[Segment], change: impl FnOnce(&mut dryfire_scenario::Bench)) -> Self {
        let mut this = Loop::new(words, firing, change);
        this.run(RigSpan::from_seconds(1));
        this.say("start");
        this.run(RigSpan::from_seconds(1));
        assert!(this.said("firing"), "{:?}", this.session.lines());
        this
    }

    fn now(&self) -> RigTime {
        self.session.now
    }

    fn say(&mut self, line: &str) {
        self.session.console(self.session.now, line);
    }

    fn said(&self, part: &str) -> bool {
        self.session.lines().iter().any(|(_, line)| line.contains(part))
    }

    /// Heat as it flows: through the contactor, welded elements included.
    fn heat(&self, zone: usize) -> bool {
        self.on[usize::from(SAFETY)] && (self.on[zone] || self.welded == Some(zone)) && !self.elements_dead
    }

    fn run(&mut self, length: RigSpan) {
        let end = self.session.now + length;
        while self.session.now < end {
            self.step();
        }
    }

    /// Runs until `done`, at most `patience`; says whether it came.
    fn run_until(&mut self, patience: RigSpan, done: impl Fn(&Loop) -> bool) -> bool {
        let end = self.session.now + patience;
        while self.session.now < end {
            if done(self) {
                return true;
            }
            self.step();
        }
        done(self)
    }

    fn step(&mut self) {
        let now = self.session.now;
        for zone in 0..2 {
            // Millidegrees; a little unrest, as every real reading has it.
            let unrest = (now.as_micros() / STEP.as_micros() * 7919 % 601) - 300;
            let good = (self.zones[zone] * 1000.0) as i64 + unrest;
            let signal = match self.probes[zone] {
                Probe::Good => type_k(good),
                Probe::Open => ProbeSignal::Open,
                Probe::Short => ProbeSignal::Short,
                Probe::Frozen(value) => type_k(value),
                Probe::Offset(offset) => type_k(good + offset),
                Probe::Reversed => match type_k(good) {
                    ProbeSignal::Voltage { nanovolts, .. } => {
                        ProbeSignal::Voltage { nanovolts: -nanovolts, nanovolts_per_second: 0 }
                    }
                    other => other,
                },
            };
            self.session.command(
                now,
                CommandKind::Probe { channel: zone as u8, signal, valid_until: now + RigSpan::from_seconds(1) },
            );
        }
        self.session.to(now + STEP);
        let edges = self.session.edges();
        for &(_, input, high) in &edges[self.edges_seen..] {
            self.on[usize::from(input)] = if input == SAFETY { !high } else { high };
        }
        self.edges_seen = edges.len();
        for zone in 0..2 {
            let heating = if self.heat(zone) { HEATING_PER_SECOND } else { 0.0 };
            self.zones[zone] += (heating - (self.zones[zone] - 20.0) * LOSS_PER_SECOND) * STEP.as_seconds();
            self.hottest = self.hottest.max(self.zones[zone]);
        }
        if self.heat(0) || self.heat(1) {
            self.last_heat = self.session.now;
        }
        // The whole trace is only needed for short runs; lines and edges stay.
        self.session.seen.retain(|observation| {
            matches!(
                observation,
                dryfire_engine::Observation::Edge { .. }
                    | dryfire_engine::Observation::Console { .. }
                    | dryfire_engine::Observation::SupplyRail { .. }
            )
        });
    }

    /// Heat has ended within `limit` after `stimulus` and does not come back for ten minutes.
    fn assert_cut(&mut self, stimulus: RigTime, limit: RigSpan) {
        self.run(limit);
        let cut = self.last_heat;
        assert!(cut - stimulus <= limit, "heat went on until {cut}, the stimulus was at {stimulus}: {:?}", self.tail());
        self.run(RigSpan::from_minutes(10));
        assert_eq!(self.last_heat, cut, "heat came back: {:?}", self.tail());
    }

    fn tail(&self) -> Vec<(i64, &str)> {
        let lines = self.session.lines();
        lines[lines.len().saturating_sub(4)..].to_vec()
    }
}

fn ramp(rate: i64, to: i64) -> Segment {
    Segment::Ramp { rate_millicelsius_per_hour: rate * 1000, to_millicelsius: to * 1000 }
}

fn hold(minutes: i64) -> Segment {
    Segment::Hold { length: RigSpan::from_minutes(minutes) }
}

fn ramping() -> Vec<Segment> {
    vec![ramp(600, 700)]
}

fn holding() -> Vec<Segment> {
    vec![ramp(600, 120), hold(120)]
}

/// Brings the loop to where heat is on: on the ramp above 80 °C, or five minutes into the hold.
fn at_work(words: &str, firing: &[Segment]) -> Loop {
    let mut this = Loop::firing(words, firing);
    let warm = if firing.len() > 1 { 119.0 } else { 80.0 };
    assert!(this.run_until(RigSpan::from_minutes(30), |this| this.zones[0] > warm), "it gets warm: {:?}", this.zones);
    if firing.len() > 1 {
        this.run(RigSpan::from_minutes(5));
    }
    assert!(this.run_until(RigSpan::from_minutes(2), |this| this.heat(0)), "heat comes on");
    this
}

#[test]
fn it_fires_ramps_and_holds_and_ends_with_everything_off() {
    need_python!();
    let firing = [ramp(600, 200), hold(10), ramp(60, 150), hold(2)];
    let mut kiln = Loop::firing("controller.py", &firing);
    assert!(kiln.run_until(RigSpan::from_minutes(120), |kiln| kiln.said("finished")), "{:?}", kiln.tail());
    assert!((kiln.hottest - 200.0).abs() < 8.0, "hottest {}", kiln.hottest);
    // (200 − 20)/600 h, 10 min, 50/60 h and 2 min are 80 min.
    let minutes = kiln.now().as_seconds() / 60.0;
    assert!((79.5..86.0).contains(&minutes), "{minutes} min");
    assert!((kiln.zones[0] - 150.0).abs() < 8.0, "{:?}", kiln.zones);
    kiln.run(RigSpan::from_seconds(1));
    assert_eq!(kiln.on, [false; 3]);

    let edges = kiln.session.edges();
    let first = |input, high| edges.iter().find(|edge| edge.1 == input && edge.2 == high).expect("it switches").0;
    assert!(first(0, true) - first(SAFETY, false) >= 200_000, "the contactor closes before the elements");
    for element in [0, 1] {
        let own: Vec<_> = edges.iter().filter(|edge| edge.1 == element).collect();
        // The last one is cut short by the end of the firing.
        let shortest = own.windows(2).take(own.len() - 2).map(|pair| pair[1].0 - pair[0].0).min();
        assert!(shortest >= Some(2_000_000), "pulses of at least 2 s: {shortest:?}");
    }
}

#[test]
fn a_start_that_comes_before_the_first_reading_waits_for_it() {
    need_python!();
    let mut kiln = Loop::new("controller.py", &ramping(), |_| {});
    kiln.say("start");
    kiln.run(RigSpan::from_seconds(1));
    assert_eq!(kiln.session.lines(), [(100_000, "firing")]);
}

#[test]
fn a_program_line_is_fired_instead_of_the_one_in_hello() {
    need_python!();
    let mut kiln = Loop::new("controller.py", &ramping(), |_| {});
    kiln.run(RigSpan::from_seconds(1));
    kiln.say("program 600 C/h to 60 C; hold 1 min");
    kiln.say("program 600 C/h to 1400 C");
    kiln.say("program warm it up a little");
    kiln.say("start");
    assert!(kiln.run_until(RigSpan::from_minutes(20), |kiln| kiln.said("finished")), "{:?}", kiln.tail());
    assert!(kiln.said("refused: target 1400 C is not between 20 and 1300"));
    assert!(kiln.said("refused: no segment: warm it up a little"));
    assert!((kiln.hottest - 60.0).abs() < 8.0, "{}", kiln.hottest);
}

#[rstest]
// Limits: common practice, no source, as the scenarios' defaults.
#[case::open_while_ramping(ramping(), Probe::Open, 10, "tripped: probe top open")]
#[case::open_while_holding(holding(), Probe::Open, 10, "tripped: probe top open")]
#[case::shorted_while_ramping(ramping(), Probe::Short, 10, "tripped: sudden jump in top")]
#[case::reversed_while_holding(holding(), Probe::Reversed, 30, "tripped: ")]
#[case::frozen_while_holding(holding(), Probe::Frozen(119_000), 15 * 60, "tripped: reading frozen in top")]
fn a_broken_probe_cuts_the_heat_for_good(
    #[case] firing: Vec<Segment>,
    #[case] fault: Probe,
    #[case] within: i64,
    #[case] said: &str,
) {
    need_python!();
    let mut kiln = at_work("controller.py", &firing);
    let stimulus = kiln.now();
    kiln.probes[0] = fault;
    kiln.assert_cut(stimulus, RigSpan::from_seconds(within));
    assert!(kiln.said(said), "{:?}", kiln.tail());
}

#[test]
fn a_reading_over_the_declared_top_temperature_cuts_the_heat_in_five_seconds() {
    need_python!();
    let mut kiln = Loop::firing_with("controller.py", &holding(), |file| {
        file.declares.top_temperature_millicelsius = 130_000;
    });
    assert!(kiln.run_until(RigSpan::from_minutes(20), |kiln| kiln.zones[0] > 118.0 && kiln.heat(0)));
    let stimulus = kiln.now();
    kiln.probes = [Probe::Offset(15_000); 2];
    kiln.assert_cut(stimulus, RigSpan::from_seconds(5));
    assert!(kiln.said("tripped: over 130 C in top"), "{:?}", kiln.tail());
}

#[test]
fn one_short_interruption_does_not_end_a_firing_and_many_do() {
    need_python!();
    let mut kiln = at_work("controller.py", &ramping());
    kiln.probes[0] = Probe::Open;
    kiln.run(RigSpan::from_seconds(1));
    kiln.probes[0] = Probe::Good;
    kiln.run(RigSpan::from_minutes(2));
    assert!(!kiln.said("tripped"), "{:?}", kiln.tail());
    for _ in 0..4 {
        kiln.probes[0] = Probe::Open;
        kiln.run(RigSpan::from_seconds(1));
        kiln.probes[0] = Probe::Good;
        kiln.run(RigSpan::from_seconds(20));
    }
    assert!(kiln.said("tripped: probe top intermittent"), "{:?}", kiln.tail());
}

#[test]
fn a_welded_element_relay_is_met_by_the_contactor() {
    need_python!();
    let mut kiln = at_work("controller.py", &holding());
    kiln.welded = Some(0);
    assert!(kiln.run_until(RigSpan::from_minutes(15), |kiln| !kiln.on[usize::from(SAFETY)]), "{:?}", kiln.tail());
    assert!(kiln.said("tripped: runaway in top") || kiln.said("tripped: rise without heat in top"));
    kiln.run(RigSpan::from_minutes(10));
    assert!(kiln.hottest < 120.0 + 50.0, "{}", kiln.hottest);
}

#[test]
fn a_kiln_that_does_not_answer_the_heat_is_given_up() {
    need_python!();
    let mut kiln = Loop::firing("controller.py", &ramping());
    kiln.elements_dead = true;
    assert!(
        kiln.run_until(RigSpan::from_minutes(30), |kiln| kiln.said("tripped: no rise at full heat")),
        "{:?}",
        kiln.tail()
    );
}

#[test]
fn the_longest_firing_is_the_declared_one() {
    need_python!();
    let mut kiln = Loop::firing_with("controller.py", &holding(), |file| {
        file.declares.longest_firing = RigSpan::from_minutes(20);
    });
    assert!(!kiln.run_until(RigSpan::from_minutes(19), |kiln| kiln.said("tripped")), "{:?}", kiln.tail());
    assert!(
        kiln.run_until(RigSpan::from_minutes(2), |kiln| kiln.said("tripped: firing too long")),
        "{:?}",
        kiln.tail()
    );
}

#[rstest]
#[case::lid(0, false, true)]
#[case::stop(1, true, false)]
fn lid_and_stop_cut_the_heat_at_once(#[case] output: u8, #[case] closed: bool, #[case] comes_back: bool) {
    need_python!();
    let mut kiln = at_work("controller.py", &ramping());
    let stimulus = kiln.now();
    kiln.session.command(stimulus, CommandKind::Contact { output, closed });
    kiln.run(RigSpan::from_seconds(1));
    assert_eq!(kiln.on, [false; 3]);
    let last = kiln.session.edges().last().expect("relays switched").0;
    assert!(last - stimulus.as_micros() < 500_000, "{last}");
    kiln.run(RigSpan::from_minutes(1));
    kiln.session.command(kiln.now(), CommandKind::Contact { output, closed: !closed });
    assert_eq!(kiln.run_until(RigSpan::from_minutes(2), |kiln| kiln.heat(0)), comes_back);
}

#[test]
fn a_trip_outlives_the_supply_and_is_only_acknowledged_when_cured() {
    need_python!();
    let mut kiln = at_work("controller.py", &holding());
    let stimulus = kiln.now();
    kiln.probes[0] = Probe::Open;
    kiln.assert_cut(stimulus, RigSpan::from_seconds(10));
    for on in [false, true] {
        kiln.session.command(kiln.now(), CommandKind::Supply { on });
        kiln.run(RigSpan::from_seconds(10));
    }
    kiln.say("state");
    kiln.say("start");
    kiln.run(RigSpan::from_seconds(5));
    assert!(kiln.said("tripped probe top open"), "{:?}", kiln.tail());
    assert!(kiln.said("refused: tripped"), "{:?}", kiln.tail());
    kiln.say("acknowledge");
    kiln.run(RigSpan::from_seconds(1));
    assert!(kiln.said("not cured"), "{:?}", kiln.tail());
    kiln.probes[0] = Probe::Good;
    kiln.run(RigSpan::from_seconds(1));
    kiln.session.command(kiln.now(), CommandKind::Contact { output: 2, closed: true });
    kiln.run(RigSpan::from_seconds(1));
    assert!(kiln.said("acknowledged"), "{:?}", kiln.tail());
    assert_eq!(kiln.on, [false; 3]);
}

#[rstest]
#[case::short(5, "firing goes on after a supply cut", true)]
#[case::long(60, "firing given up: the kiln lost", false)]
fn a_firing_outlives_a_short_cut_and_not_a_long_one(#[case] minutes: i64, #[case] said: &str, #[case] goes_on: bool) {
    need_python!();
    let mut kiln = Loop::firing("controller.py", &[ramp(900, 300), hold(60)]);
    assert!(kiln.run_until(RigSpan::from_minutes(40), |kiln| kiln.zones[0] > 200.0));
    kiln.session.command(kiln.now(), CommandKind::Supply { on: false });
    kiln.run(RigSpan::from_minutes(minutes));
    assert_eq!(kiln.on, [false; 3]);
    kiln.session.command(kiln.now(), CommandKind::Supply { on: true });
    assert_eq!(kiln.run_until(RigSpan::from_minutes(3), |kiln| kiln.heat(0)), goes_on, "{:?}", kiln.tail());
    assert!(kiln.said(said), "{:?}", kiln.tail());
}

/// A test of the tests: the seeded mistake is one that they see.
#[test]
fn the_seeded_mistake_shows_while_holding_and_only_there() {
    need_python!();
    let words = "controller.py --mistake ignores-probe-while-holding";
    let mut kiln = at_work(words, &holding());
    let stimulus = kiln.now();
    kiln.probes[0] = Probe::Open;
    kiln.run(RigSpan::from_minutes(10));
    assert!(kiln.last_heat - stimulus > RigSpan::from_minutes(5), "heat ends at {}", kiln.last_heat);

    let mut kiln = at_work(words, &ramping());
    let stimulus = kiln.now();
    kiln.probes[0] = Probe::Open;
    kiln.assert_cut(stimulus, RigSpan::from_seconds(10));
}
