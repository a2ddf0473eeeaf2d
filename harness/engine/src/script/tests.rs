use super::*;
use dryfire_judge::Condition;

const ELEMENT: SignalId = SignalId(0);
const KILN: SignalId = SignalId(1);

fn seconds(seconds: i64) -> RigTime {
    RigTime::ZERO + RigSpan::from_seconds(seconds)
}

fn element_on() -> PlannedCondition {
    PlannedCondition::Now(Condition::Is { signal: ELEMENT, on: true })
}

fn when(condition: PlannedCondition, moment: Option<u16>) -> PlannedStep {
    PlannedStep {
        wait: PlannedWait::When { condition, patience: RigSpan::from_seconds(100) },
        moment,
        stimuli: Vec::new(),
    }
}

fn script(steps: Vec<PlannedStep>) -> (Script, Present) {
    (Script::new(steps, 2, RigTime::ZERO, Vec::new()), Present::unknown(2))
}

#[test]
fn a_condition_over_something_unknown_does_not_hold_and_neither_does_its_opposite() {
    let hot = || PlannedCondition::Now(Condition::Compare { signal: KILN, comparison: Comparison::Above, limit: 0 });
    let (script, present) = script(vec![when(hot(), None)]);
    assert_eq!(script.progress(seconds(1), &present), Progress::Waits);
    let (script, present) = self::script(vec![when(PlannedCondition::Not(Box::new(hot())), None)]);
    assert_eq!(script.progress(seconds(1), &present), Progress::Waits);
}

#[test]
fn a_state_that_was_broken_off_in_between_has_not_lasted() {
    let held =
        PlannedCondition::HeldFor { condition: Box::new(element_on()), length: RigSpan::from_seconds(5), watch: 0 };
    let (mut script, mut present) = script(vec![when(held, None)]);
    for (at, on) in [(1, 1), (4, 0), (5, 1)] {
        present.set(ELEMENT, Some(on));
        script.note_change(seconds(at), &present);
    }
    assert_eq!(script.progress(seconds(9), &present), Progress::Waits);
    assert_eq!(script.progress(seconds(10), &present), Progress::Due(0));
}

#[test]
fn the_moment_of_a_step_is_its_last_acknowledgement() {
    let (mut script, mut present) = script(vec![when(element_on(), Some(1))]);
    present.set(ELEMENT, Some(1));
    assert_eq!(script.progress(seconds(3), &present), Progress::Due(0));
    assert_eq!(script.sent(seconds(3), vec![CommandId(7), CommandId(8)], false, false), None);
    assert_eq!(script.progress(seconds(4), &present), Progress::Waits, "it waits for its acknowledgements");
    assert_eq!(script.applied(CommandId(8), seconds(5)), None);
    let spread = RigSpan::from_seconds(1);
    assert_eq!(script.applied(CommandId(7), seconds(4)), Some(Came { moment: 1, at: seconds(5), spread }));
    assert_eq!(script.moment(1), Some(seconds(5)));
    assert_eq!(script.progress(seconds(5), &present), Progress::Done);
}

#[test]
fn an_acknowledgement_of_something_else_completes_nothing() {
    let (mut script, _) = script(vec![when(element_on(), Some(0))]);
    assert_eq!(script.sent(seconds(1), vec![CommandId(1)], false, false), None);
    assert_eq!(script.applied(CommandId(2), seconds(2)), None);
    assert_eq!(script.moment(0), None);
}

#[test]
fn a_condition_that_never_holds_exhausts_the_patience_and_not_before() {
    let (script, mut present) = script(vec![when(element_on(), None)]);
    present.set(ELEMENT, Some(0));
    assert_eq!(script.progress(seconds(100), &present), Progress::Waits);
    assert_eq!(script.progress(seconds(101), &present), Progress::GaveUp(0));
    present.set(ELEMENT, Some(1));
    assert_eq!(script.progress(seconds(101), &present), Progress::GaveUp(0), "too late is not in time");
    assert_eq!(script.progress(seconds(100), &present), Progress::Due(0));
    assert_eq!(script.gives_up_after(), Some(seconds(100) + RigSpan::from_micros(1)));
}

#[test]
fn a_later_step_waits_from_when_the_one_before_was_done() {
    let wait = |length| PlannedStep {
        wait: PlannedWait::Wait(RigSpan::from_seconds(length)),
        moment: None,
        stimuli: Vec::new(),
    };
    let (mut script, present) = script(vec![wait(10), wait(5)]);
    assert_eq!(script.appointed(), Some(seconds(10)));
    assert_eq!(script.progress(seconds(10), &present), Progress::Due(0));
    script.sent(seconds(10), Vec::new(), false, false);
    assert_eq!(script.appointed(), Some(seconds(15)));
}

#[test]
fn an_instant_that_has_passed_is_due_at_once_and_never_before_the_step_before() {
    let at = PlannedStep {
        wait: PlannedWait::At { moment: 0, offset: RigSpan::from_seconds(1) },
        moment: None,
        stimuli: Vec::new(),
    };
    let (mut script, present) = script(vec![
        PlannedStep { wait: PlannedWait::BeginFiring, moment: Some(0), stimuli: Vec::new() },
        PlannedStep { wait: PlannedWait::Wait(RigSpan::from_seconds(30)), moment: None, stimuli: Vec::new() },
        at,
    ]);
    script.sent(seconds(0), Vec::new(), false, false);
    script.sent(seconds(30), Vec::new(), false, false);
    assert_eq!(script.appointed(), Some(seconds(30)));
    assert_eq!(script.progress(seconds(30), &present), Progress::Due(2));
}

#[test]
fn an_acknowledgement_that_does_not_come_is_not_waited_for_without_end() {
    let (mut script, present) = script(vec![when(element_on(), None)]);
    script.sent(seconds(1), vec![CommandId(1)], false, false);
    assert_eq!(script.progress(seconds(11), &present), Progress::Waits);
    assert_eq!(script.progress(seconds(12), &present), Progress::Unacknowledged(0));
}
