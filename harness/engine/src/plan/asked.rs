//! What a scenario asks for beyond what every run observes: it is added to the
//! table when it is first asked for.

use dryfire_judge::{SignalId, SignalKind, SignalSpec, SignalTable};
use dryfire_scenario::{Bench, LevelSignal, Measured, SpreadOf, SwitchSignal, ZoneSelector, span_text};
use dryfire_units::RigSpan;

use super::signals::{Signals, zone_index};
use super::{ConsoleSignal, IsolatedSignal};
use crate::derived::{Derivation, DerivedSignal, WHOLE};
use crate::played::GRID;

/// How well the instant of a console line is known: its end has to arrive, and
/// be read from a buffer (common practice, no source).
const CONSOLE: RigSpan = RigSpan::from_millis(50);

const HOUR_MICROS: i128 = 3_600_000_000;

/// The table with what has been asked for.
pub(super) struct Asked {
    pub(super) table: SignalTable,
    pub(super) signals: Signals,
    pub(super) derived: Vec<DerivedSignal>,
    pub(super) isolated: Vec<IsolatedSignal>,
    pub(super) console: Vec<ConsoleSignal>,
}

/// The longest window is a day, so that at the grid's step memory is bounded;
/// what a scenario file says has been checked already.
fn whole_steps(over: RigSpan) -> Result<(), String> {
    let in_bounds = over >= GRID && over <= dryfire_scenario::LONGEST_WINDOW;
    if in_bounds && over.as_micros() % GRID.as_micros() == 0 {
        return Ok(());
    }
    Err(format!("a window of {over} is not kept: it is from {GRID} to 24 h long, in whole seconds"))
}

impl Asked {
    /// The level that a scenario means, if the bench has it.
    pub(super) fn measured(&mut self, bench: &Bench, measured: &Measured) -> Result<SignalId, String> {
        match measured {
            Measured::Level(level) => self.level(bench, level),
            Measured::Spread(of) => self.spread(bench, *of),
            Measured::Difference { of, less } => self.difference(bench, of, less),
            Measured::Rise { of, over } => self.rise(bench, of, *over),
            Measured::Rate { of, over } => self.rate(bench, of, *over),
            Measured::Duty { of, over } => self.duty(bench, of, *over),
        }
    }

    fn level(&mut self, bench: &Bench, level: &LevelSignal) -> Result<SignalId, String> {
        match level {
            LevelSignal::SetPoint => self.set_point(bench),
            other => self.signals.level(bench, other),
        }
    }

    /// A number that is cut off after its last digit is off by up to one step.
    fn set_point(&mut self, bench: &Bench) -> Result<SignalId, String> {
        let how = bench
            .set_point
            .clone()
            .ok_or_else(|| "the bench file does not say how the controller states its set-point".to_owned())?;
        let errors = (how.step_millicelsius, 0);
        let mut spec = self.level_spec("set-point".to_owned(), SignalKind::Temperature, errors, self.signals.kiln);
        spec.time_uncertainty = spec.time_uncertainty.max(CONSOLE);
        Ok(self.derive(spec, Derivation::Stated(how)))
    }

    /// The switch that a scenario means, if the bench has it.
    pub(super) fn switch(&mut self, bench: &Bench, switch: &SwitchSignal) -> Result<SignalId, String> {
        match switch {
            SwitchSignal::Isolated(zone) => self.isolated(bench, zone),
            SwitchSignal::Console(pattern) => {
                let time_uncertainty = super::signals::edge_uncertainty(bench).max(CONSOLE);
                let name = format!("console says {pattern}");
                let (id, new) = self.add(switch_spec(name, time_uncertainty, RigSpan::ZERO));
                if new {
                    self.console.push(ConsoleSignal { id, pattern: pattern.clone() });
                }
                Ok(id)
            }
            other => self.signals.switch(bench, other),
        }
    }

    /// Adds a signal unless there is one of that name; whether it is new.
    fn add(&mut self, spec: SignalSpec) -> (SignalId, bool) {
        match self.table.find(&spec.name) {
            Some(id) => (id, false),
            None => (self.table.add(spec), true),
        }
    }

    fn derive(&mut self, spec: SignalSpec, rule: Derivation) -> SignalId {
        let (id, new) = self.add(spec);
        if new {
            self.derived.push(DerivedSignal { id, rule });
        }
        id
    }

    fn name(&self, id: SignalId) -> &str {
        &self.table.get(id).name
    }

    /// Uncertainty and model error of the difference of two levels, thousandths
    /// of a degree: their sums, because nothing is known of how they go together.
    fn summed(&self, one: SignalId, other: SignalId) -> (i64, i64) {
        let (one, other) = (self.table.get(one), self.table.get(other));
        (one.value_uncertainty + other.value_uncertainty, one.model_error + other.model_error)
    }

    fn level_spec(&self, name: String, kind: SignalKind, (value, model): (i64, i64), like: SignalId) -> SignalSpec {
        SignalSpec {
            name,
            kind,
            value_uncertainty: value,
            model_error: model,
            time_uncertainty: self.table.get(like).time_uncertainty.max(GRID),
            release: RigSpan::ZERO,
        }
    }

    fn spread(&mut self, bench: &Bench, of: SpreadOf) -> Result<SignalId, String> {
        let (name, levels) = match of {
            SpreadOf::Kiln => ("kiln spread", self.signals.kiln_by_zone.clone()),
            SpreadOf::Probe => {
                let probed = bench.zones.iter().zip(&self.signals.probe_by_zone);
                let levels = probed.filter(|(zone, _)| zone.probe_channel.is_some()).map(|(_, id)| *id).collect();
                ("probe spread", levels)
            }
        };
        let [first, second, ..] = levels.as_slice() else {
            return Err(format!("a {name} takes two zones at least, and the bench has {}", levels.len()));
        };
        let errors = self.summed(*first, *second);
        let spec = self.level_spec(name.to_owned(), SignalKind::Difference, errors, *first);
        Ok(self.derive(spec, Derivation::Spread { of: levels }))
    }

    fn difference(&mut self, bench: &Bench, of: &LevelSignal, less: &LevelSignal) -> Result<SignalId, String> {
        let (of, less) = (self.level(bench, of)?, self.level(bench, less)?);
        if of == less {
            return Err(format!("`{}` is subtracted from itself on this bench", self.name(of)));
        }
        let name = format!("{} - {}", self.name(of), self.name(less));
        let spec = self.level_spec(name, SignalKind::Difference, self.summed(of, less), of);
        Ok(self.derive(spec, Derivation::Difference { of, less }))
    }

    fn rise(&mut self, bench: &Bench, of: &LevelSignal, over: RigSpan) -> Result<SignalId, String> {
        whole_steps(over)?;
        let of = self.level(bench, of)?;
        let name = format!("rise of {} over {}", self.name(of), span_text(over));
        let spec = self.level_spec(name, SignalKind::Difference, self.summed(of, of), of);
        Ok(self.derive(spec, Derivation::Rise { of, over }))
    }

    /// Its errors are those of the rise divided by the window, rounded up, and
    /// one thousandth for the rounding of the rate.
    fn rate(&mut self, bench: &Bench, of: &LevelSignal, over: RigSpan) -> Result<SignalId, String> {
        whole_steps(over)?;
        let of = self.level(bench, of)?;
        let name = format!("rate of {} over {}", self.name(of), span_text(over));
        let window = i128::from(over.as_micros());
        // Errors are at most some degrees and windows at least a second: it fits.
        let per_hour = |error: i64| ((i128::from(error) * HOUR_MICROS + window - 1) / window) as i64;
        let (value, model) = self.summed(of, of);
        let rounding = 1;
        let errors =
            if model > 0 { (per_hour(value), per_hour(model) + rounding) } else { (per_hour(value) + rounding, 0) };
        let spec = self.level_spec(name, SignalKind::Rate, errors, of);
        Ok(self.derive(spec, Derivation::Rate { of, over }))
    }

    /// Every edge in the window may be off by the stated edge time, all of them
    /// the same way; between two samples the duty may turn at half the grid.
    /// Counted on are twice as many edges as the declared cycle time makes, for
    /// each relay that the switch stands for.
    fn duty(&mut self, bench: &Bench, of: &SwitchSignal, over: RigSpan) -> Result<SignalId, String> {
        whole_steps(over)?;
        let relays = match of {
            SwitchSignal::Heat(ZoneSelector::All) | SwitchSignal::Element(ZoneSelector::All) => bench.zones.len(),
            _ => 1,
        };
        let id = self.switch(bench, of)?;
        let name = format!("duty of {} over {}", self.name(id), span_text(over));
        let cycles = over.as_micros() / bench.declares.cycle_time.as_micros().max(1_000_000) + 1;
        // At most 24 h of 1 s cycles: far inside the integers.
        let most_edges = 4 * cycles * relays.max(1) as i64;
        let off = i128::from(super::signals::edge_uncertainty(bench).as_micros()) * i128::from(most_edges)
            + i128::from(GRID.as_micros() / 2);
        let window = i128::from(over.as_micros());
        let share = (off * i128::from(WHOLE) + window - 1) / window + 1;
        let value = i64::try_from(share).unwrap_or(WHOLE).min(WHOLE);
        let mut spec = self.level_spec(name, SignalKind::Duty, (value, 0), id);
        spec.release = self.table.get(id).release;
        Ok(self.derive(spec, Derivation::Duty { of: id, over, most_edges: most_edges as usize }))
    }

    fn isolated(&mut self, bench: &Bench, zone: &ZoneSelector) -> Result<SignalId, String> {
        let (name, zone) = match zone {
            ZoneSelector::All => ("isolated".to_owned(), None),
            one => {
                let index = zone_index(bench, one)?;
                (format!("isolated.{}", bench.zones[index].name), Some(index))
            }
        };
        let heat = self.table.get(self.signals.heat);
        let spec = switch_spec(name, heat.time_uncertainty, heat.release);
        let (id, new) = self.add(spec);
        if new {
            self.isolated.push(IsolatedSignal { id, zone });
        }
        Ok(id)
    }
}

fn switch_spec(name: String, time_uncertainty: RigSpan, release: RigSpan) -> SignalSpec {
    SignalSpec { name, kind: SignalKind::Switch, value_uncertainty: 0, model_error: 0, time_uncertainty, release }
}
