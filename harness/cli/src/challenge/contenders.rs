//! Who is challenged: the stand-in honest and with each of its defects, and the user's own builds.

use dryfire_report::{Expected, Mistake as Given};
use dryfire_scenario::{Bench, BenchKind, RelayRole, Senses, StandInChoice};
use dryfire_stand_in::{Defect, Variant};
use dryfire_units::RigSpan;

use super::Build;
use crate::library::BenchWithKiln;
use crate::screen::Mistake;

/// A controller to be tried.
pub(super) struct Contender {
    pub(super) name: String,
    pub(super) expected: Expected,
    pub(super) fitted: BenchWithKiln,
    pub(super) seed: u64,
    /// It is the stand-in as the bench file has it.
    pub(super) is_without_mistake: bool,
    /// It is that with this mistake, and differs in nothing else.
    pub(super) mistake: Option<Defect>,
}

impl Contender {
    fn new(name: String, expected: Expected, fitted: BenchWithKiln, seed: u64) -> Contender {
        Contender { name, expected, fitted, seed, is_without_mistake: false, mistake: None }
    }
}

/// All of them, those that are honest first; of the stand-in's mistakes those of the hazards picked, if any are.
/// Also how many that leaves out, those of a limiter that the bench does not have among them. Builds of the user's own were named one by one and are never left out.
pub(super) fn all(
    fitted: BenchWithKiln,
    builds: Vec<Build>,
    seed: u64,
    picked: Option<&[String]>,
) -> Result<(Vec<Contender>, usize), Mistake> {
    let has_limiter = fitted.bench.limiter.is_some();
    let mut contenders = match &fitted.bench.kind {
        BenchKind::Virtual(choice) => of_the_stand_in(&fitted, choice, seed)?,
        _ if builds.iter().all(|build| build.hazard.is_none()) => {
            return Err(Mistake::new(format!(
                "the bench `{}` has a controller of its own, without known mistakes",
                fitted.bench.name
            ))
            .hint(
                "name builds of it that have one, each by the hazard it meets wrongly and its bench file: \
                 `--faulty probe-open=my-bench-without-probe-check.yaml`; or name a virtual bench",
            ));
        }
        _ => {
            let name = fitted.bench.name.clone();
            vec![Contender::new(name, Expected::Cleared, fitted, seed)]
        }
    };
    let mut left_out = 0;
    if !has_limiter {
        // A limiter's mistake shows on a bench that has one.
        contenders.retain(|contender| {
            let of_limiter = Defect::from_name(&contender.name).is_some_and(Defect::is_of_limiter);
            left_out += usize::from(of_limiter);
            !of_limiter
        });
    }
    if let Some(hazards) = picked {
        contenders.retain(|contender| match &contender.expected {
            Expected::Caught(mistake) => {
                let meant = hazards.contains(&mistake.hazard);
                left_out += usize::from(!meant);
                meant
            }
            Expected::Cleared => true,
            // Its limit may lie in a scenario that was not picked.
            Expected::Undecided => false,
        });
    }
    contenders.extend(builds.into_iter().map(|Build { fitted, hazard }| {
        let name = fitted.bench.name.clone();
        let expected = match hazard {
            None => Expected::Cleared,
            Some(hazard) => {
                let description =
                    format!("A build of {} that is known to meet {hazard} wrongly.", fitted.bench.controller);
                Expected::Caught(Given { description, hazard, reason: None })
            }
        };
        Contender::new(name, expected, fitted, seed)
    }));
    Ok((contenders, left_out))
}

/// The stand-in as the bench file has it, in honest variants, and with each of its defects.
fn of_the_stand_in(fitted: &BenchWithKiln, choice: &StandInChoice, seed: u64) -> Result<Vec<Contender>, Mistake> {
    let name = &fitted.bench.name;
    if !choice.defects.is_empty() {
        return Err(Mistake::new(format!("the bench `{name}` has defects switched on already"))
            .hint("`dryfire challenge` switches on each of them by itself: leave out `defects`"));
    }
    if choice.variant.is_some() {
        return Err(Mistake::new(format!("the bench `{name}` has a variant switched on already"))
            .hint("`dryfire challenge` tries each of them by itself: leave out `variant`"));
    }
    let honest = |what: &str, bench: Bench, seed| {
        let name = if what.is_empty() { "(no mistake)".to_owned() } else { format!("(no mistake, {what})") };
        Contender::new(name, Expected::Cleared, with(fitted, bench), seed)
    };
    let same = || fitted.bench.clone();
    let as_it_is = Contender { is_without_mistake: true, ..honest("", same(), seed) };
    let mut contenders = vec![as_it_is, honest("another seed", same(), seed.wrapping_add(1))];
    for (what, tick) in [("a tick of 50 ms", 50), ("a tick of 250 ms", 250)] {
        let mut bench = same();
        set(&mut bench, |choice| choice.tick = Some(RigSpan::from_millis(tick)));
        contenders.push(honest(what, bench, seed));
    }
    for (what, seconds) in [("a cycle of 20 s", 20), ("a cycle of 30 s", 30)] {
        let mut bench = same();
        bench.declares.cycle_time = RigSpan::from_seconds(seconds);
        contenders.push(honest(what, bench, seed));
    }
    for (what, bench) in [
        ("contacts sensed", contacts_sensed(same())),
        ("without a contactor", without_contactor(same())),
        ("solid-state relays and a cycle of 2 s", solid_state(same())),
    ] {
        contenders.push(honest(what, bench, seed));
    }
    if fitted.bench.zones.len() > 1 {
        let mut single = honest("the first zone alone", first_zone_alone(same()), seed);
        single.fitted.kiln.zones.truncate(1);
        single.fitted.kiln.couplings.clear();
        contenders.push(single);
    }
    let has_limiter = fitted.bench.limiter.is_some();
    for variant in Variant::ALL.iter().filter(|variant| has_limiter || !variant.is_of_limiter()) {
        let mut bench = same();
        set(&mut bench, |choice| choice.variant = Some(variant.name().to_owned()));
        let mut contender = honest(variant.name(), bench, seed);
        if variant.is_near_a_limit() {
            contender.expected = Expected::Undecided;
        }
        contenders.push(contender);
    }
    for defect in Defect::ALL {
        let mut bench = same();
        set(&mut bench, |choice| choice.defects = vec![defect.name().to_owned()]);
        let symptom = defect.symptom();
        let mistake = Given {
            description: defect.description().to_owned(),
            hazard: symptom.hazard.to_owned(),
            reason: Some(symptom.reason.to_owned()),
        };
        let expected = Expected::Caught(mistake);
        let contender = Contender::new(defect.name().to_owned(), expected, with(fitted, bench), seed);
        contenders.push(Contender { mistake: Some(*defect), ..contender });
    }
    Ok(contenders)
}

fn with(fitted: &BenchWithKiln, bench: Bench) -> BenchWithKiln {
    BenchWithKiln { bench, kiln: fitted.kiln.clone(), folder: fitted.folder.clone(), files: Vec::new() }
}

fn set(bench: &mut Bench, change: impl FnOnce(&mut StandInChoice)) {
    if let BenchKind::Virtual(choice) = &mut bench.kind {
        change(choice);
    }
}

/// What is sensed are the contacts, which take milliseconds.
fn contacts_sensed(mut bench: Bench) -> Bench {
    bench.relays.iter_mut().for_each(|relay| relay.senses = Senses::Contact);
    bench
}

/// Element relays without contacts, which may switch as often as they like; the contactor stays what it is.
fn solid_state(mut bench: Bench) -> Bench {
    let elements = bench.relays.iter_mut().filter(|relay| matches!(relay.role, RelayRole::Element(_)));
    elements.for_each(|relay| relay.solid_state = true);
    bench.declares.cycle_time = RigSpan::from_seconds(2);
    bench
}

/// A controller with one zone, on a kiln that has no other either.
fn first_zone_alone(mut bench: Bench) -> Bench {
    bench.zones.truncate(1);
    // Its probe is put where there is still a kiln.
    bench.limiter.iter_mut().for_each(|limiter| limiter.zone = 0);
    bench.old_parts.retain(|part| part.zone == 0);
    bench.paths.retain(|path| path.zone == 0);
    let kept: Vec<bool> = bench
        .relays
        .iter()
        .map(|relay| {
            relay.role == RelayRole::Limiter || matches!(relay.role, RelayRole::Safety | RelayRole::Element(0))
        })
        .collect();
    let place = |relay: usize| kept[..relay].iter().filter(|kept| **kept).count();
    for relay in bench.paths.iter_mut().flat_map(|path| &mut path.poles).flat_map(|pole| &mut pole.through) {
        relay.0 = place(relay.0);
    }
    let mut places = kept.iter();
    bench.relays.retain(|_| places.next().copied().unwrap_or(false));
    bench
}

/// Element relays only: what hangs on a contactor is uncovered, and nothing else may fail.
fn without_contactor(mut bench: Bench) -> Bench {
    let Some(contactor) = bench.relays.iter().position(|relay| relay.role == RelayRole::Safety) else { return bench };
    bench.relays.remove(contactor);
    for series in bench.paths.iter_mut().flat_map(|path| &mut path.poles).map(|pole| &mut pole.through) {
        series.retain(|relay| relay.0 != contactor);
        series.iter_mut().filter(|relay| relay.0 > contactor).for_each(|relay| relay.0 -= 1);
    }
    bench
}
