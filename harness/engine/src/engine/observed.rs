//! What is observed of bench and model, as the signals that judge and script see.

use dryfire_judge::SignalId;
use dryfire_units::{MilliCelsius, RigSpan, RigTime};

use super::{CONSOLE_MOMENT, Engine};
use crate::Event;
use crate::plan::IsolatedSignal;
use crate::played::{GRID, Sensed};

/// No terminals are colder or warmer than this, thousandths of a degree: such a reading is that of a broken sensor.
const COLD_JUNCTION: std::ops::RangeInclusive<i64> = -10_000..=60_000;

impl Engine {
    pub(super) fn show_initial_state(&mut self) {
        let at = RigTime::ZERO;
        for contact in 0..self.plan.bench.contacts.len() {
            self.show(at, self.plan.signals.contacts[contact], false);
        }
        for contact in 0..self.plan.bench.feedback.len() {
            let closed = self.plan.bench.feedback[contact].tells.closed_at_rest();
            self.show(at, self.plan.signals.feedback[contact], closed);
        }
        self.show(at, self.plan.signals.supply, true);
        for pattern in 0..self.console.len() {
            self.show(at, self.console[pattern].0, false);
        }
        for relay in 0..self.plan.bench.relays.len() {
            let on = self.played.relay_on(relay);
            self.show(at, self.plan.signals.relays[relay], on);
        }
        self.show_derived(at);
    }

    pub(super) fn edge(&mut self, at: RigTime, input: u8, high: bool) {
        self.sample_until(at - RigSpan::from_micros(1));
        match self.played.edge(at, input, high) {
            Sensed::Changed { relay, on } => {
                self.relays_on[relay] |= on;
                self.show(at, self.plan.signals.relays[relay], on);
                self.show_derived(at);
            }
            Sensed::Repeated => self.repeated_edges = self.repeated_edges.saturating_add(1),
            Sensed::NotWired => {}
        }
    }

    pub(super) fn supply_rail(&mut self, at: RigTime, on: bool) {
        self.sample_until(at - RigSpan::from_micros(1));
        self.show(at, self.plan.signals.supply, on);
        if on {
            self.rise_awaited = false;
        } else {
            self.rail_awaited = false;
            self.rail_fell_by_itself |= !self.supply_is_cut;
        }
    }

    /// The terminals' temperature as measured: what is played at them goes by it from now on.
    pub(super) fn cold_junction(&mut self, at: RigTime, millicelsius: Option<i64>) {
        // Nobody asked for it.
        if self.cold_junction.is_none() {
            return;
        }
        let plausible = millicelsius.filter(|measured| COLD_JUNCTION.contains(measured));
        // A sample before it is of the measurement before it.
        self.sample_until(at - RigSpan::from_micros(1));
        if let Some(measured) = &mut self.cold_junction {
            measured.take(at, plausible);
        }
        if let Some(millicelsius) = plausible {
            self.played.measured_terminals(millicelsius);
        }
    }

    pub(super) fn console_line(&mut self, at: RigTime, line: String) {
        self.sample_until(at - RigSpan::from_micros(1));
        self.console_off(at);
        for pattern in 0..self.console.len() {
            let (signal, matcher, off) = &mut self.console[pattern];
            if matcher.is_in(&line) {
                *off = Some(at + CONSOLE_MOMENT);
                let signal = *signal;
                self.show(at, signal, true);
            }
        }
        self.derived.said(at, &line);
        self.events.push_back(Event::Console { at, line });
    }

    /// Puts off the switches of console lines whose moment is over by an instant.
    fn console_off(&mut self, until: RigTime) {
        for pattern in 0..self.console.len() {
            let (signal, _, off) = &mut self.console[pattern];
            if let Some(at) = off.take_if(|at| *at <= until) {
                let signal = *signal;
                self.show(at, signal, false);
            }
        }
    }

    /// Shows what follows from relays and model: heat, by zone and in all, and any element relay.
    pub(super) fn show_derived(&mut self, at: RigTime) {
        let mut any = false;
        for zone in 0..self.played.zones() {
            let on = self.played.heat_on(zone);
            any |= on;
            self.show(at, self.plan.signals.heat_by_zone[zone], on);
        }
        self.show(at, self.plan.signals.heat, any);
        for index in 0..self.plan.isolated.len() {
            let IsolatedSignal { id, zone } = self.plan.isolated[index];
            let open = match zone {
                Some(zone) => self.played.is_isolated(zone),
                None => (0..self.played.zones()).all(|zone| self.played.is_isolated(zone)),
            };
            self.show(at, id, open);
        }
        let element = self
            .plan
            .bench
            .relays
            .iter()
            .enumerate()
            .any(|(index, relay)| super::heats(&relay.role) && self.played.relay_on(index));
        self.show(at, self.plan.signals.element, element);
    }

    pub(super) fn show(&mut self, at: RigTime, signal: SignalId, on: bool) {
        if !self.present.set(signal, Some(i64::from(on))) {
            return;
        }
        self.derived.switched(at, signal, on);
        self.judge.observe(at, signal, i64::from(on));
        if let Some(trace) = &mut self.trace {
            trace.sample(at, signal, i64::from(on));
        }
        self.events.push_back(Event::Switched { at, signal, on });
        self.script.note_change(at, &self.present);
    }

    fn show_level(&mut self, at: RigTime, signal: SignalId, value: Option<i64>) {
        if !self.looked_at[usize::from(signal.0)] {
            return;
        }
        self.present.set(signal, value);
        match value {
            Some(value) => {
                self.judge.observe(at, signal, value);
                if let Some(trace) = &mut self.trace {
                    trace.sample(at, signal, value);
                }
                if self.config.sample_events {
                    self.events.push_back(Event::Sampled { at, signal, value });
                }
            }
            None => {
                // Not known from now until the next sample.
                self.judge.gap(signal, at, at + GRID);
                if let Some(trace) = &mut self.trace {
                    trace.gap(signal, at, at + GRID);
                }
                if self.config.sample_events {
                    self.events.push_back(Event::Unobserved { at, signal, until: at + GRID });
                }
            }
        }
    }

    /// Samples the kiln at every grid point up to and including an instant.
    #[inline]
    pub(super) fn sample_until(&mut self, until: RigTime) {
        // Nearly every observation lies between two samples.
        if until >= self.next_sample || until >= self.played.changes_at() {
            self.sample_all_until(until);
        }
        self.console_off(until);
    }

    fn sample_all_until(&mut self, until: RigTime) {
        loop {
            self.model_changes(until.min(self.next_sample));
            if self.next_sample > until {
                break;
            }
            let at = self.next_sample;
            self.console_off(at);
            self.played.advance_to(at);
            let mut hottest = Some(i64::MIN);
            let mut hottest_shown = None;
            for zone in 0..self.played.zones() {
                let kiln = self.played.zone_millicelsius(zone);
                hottest = hottest.zip(kiln).map(|(hottest, kiln)| hottest.max(kiln));
                if let Some(kiln) = kiln {
                    self.climbs[zone].note(at, MilliCelsius::new(kiln));
                }
                self.show_level(at, self.plan.signals.kiln_by_zone[zone], kiln);
                let shown = self.played.shown_millicelsius(zone, at);
                // The model has a probe in every zone; shown is what the rig plays.
                if self.played.channel(zone).is_some() {
                    hottest_shown = hottest_shown.max(shown);
                }
                self.show_level(at, self.plan.signals.probe_by_zone[zone], shown);
            }
            self.show_level(at, self.plan.signals.kiln, hottest);
            if let Some((signal, place)) = self.plan.signals.limiter_probe.zip(self.played.limiter_place()) {
                let shown = self.played.shown_millicelsius(place, at);
                self.show_level(at, signal, shown);
            }
            if let Some(signal) = self.plan.signals.cold_junction {
                let measured = self.cold_junction.as_ref().and_then(|measured| measured.at(at));
                self.show_level(at, signal, measured);
            }
            // A probe that is disturbed may read anything, also the hottest.
            let disturbed = (0..self.played.zones()).any(|zone| self.played.is_disturbed(zone));
            self.show_level(at, self.plan.signals.probe, hottest_shown.filter(|_| !disturbed));
            self.show_derived_levels(at);
            self.script.note_change(at, &self.present);
            self.next_sample += GRID;
        }
    }

    /// Shows what the model does by itself up to an instant, each thing at its own:
    /// a contact that comes off late is current that flowed until then.
    fn model_changes(&mut self, until: RigTime) {
        while self.played.changes_at() <= until && self.played.changes_at() < RigTime::FAR_FUTURE {
            let at = self.played.changes_at();
            self.console_off(at);
            self.played.change(at);
            self.show_derived(at);
        }
    }

    fn show_derived_levels(&mut self, at: RigTime) {
        if self.plan.derived.is_empty() {
            return;
        }
        let mut values = Vec::with_capacity(self.plan.derived.len());
        self.derived.sample(at, |signal| self.present.get(signal), |signal, value| values.push((signal, value)));
        for (signal, value) in values {
            self.show_level(at, signal, value);
        }
    }
}
