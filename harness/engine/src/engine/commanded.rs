//! What the bench is told: set-points, and what the script does.

use dryfire_scenario::{BeginFiring, ClearFault, ContactRole, ContactState, Stimulus};
use dryfire_units::{Disturbance, RigSpan, RigTime};

use super::{Cut, Engine, RESET_PRESS, SETTLE, limiters_reset, time_to_clear};
use crate::Event;
use crate::io::{Command, CommandId, CommandKind, Pacing, Trouble, TroubleKind};
use crate::plan::PlannedWait;
use crate::played::GRID;
use crate::script::{ACKNOWLEDGED_WITHIN, Progress};

impl Engine {
    pub(super) fn set_probes(&mut self, now: RigTime) {
        let (every, good_for) = match self.config.pacing {
            Pacing::Stepped { step } => (GRID, GRID + step),
            Pacing::FreeRunning { period, validity } => (period, validity),
        };
        let due = self.last_setpoint.is_none_or(|last| now - last >= every);
        if due {
            self.last_setpoint = Some(now);
        }
        for zone in 0..self.played.places() {
            let stale = self.played.take_stale(zone);
            let Some(channel) = self.played.channel(zone) else { continue };
            if due || stale {
                let signal = self.played.signal(zone, now);
                self.setpoints += 1;
                self.send(now, CommandKind::Probe { channel, signal, valid_until: now + good_for });
            }
        }
    }

    /// Asks the controller what it aims at, where that is the bench's way to learn it. A question is no
    /// stimulus: whether it was answered shows in the set-point itself.
    pub(super) fn ask_set_point(&mut self, now: RigTime) {
        if self.asks_at.is_none_or(|at| now < at) {
            return;
        }
        let Some(question) = self.plan.bench.set_point.as_ref().and_then(|how| how.ask.clone()) else { return };
        self.asks_at = Some(now + question.every);
        self.send(now, CommandKind::Console { line: question.line });
    }

    /// Lets the rig add what the bench file says that it adds all the time.
    pub(super) fn dither(&mut self) {
        let bench = &self.plan.bench;
        let (rms, top) = (bench.dither_millicelsius, bench.declares.top_temperature_millicelsius);
        for zone in 0..self.played.places() {
            let Some(channel) = self.played.channel(zone) else { continue };
            if let Some(disturbance) = self.played.dither(zone, rms, top) {
                self.send(RigTime::ZERO, CommandKind::Disturb { channel, disturbance });
            }
        }
    }

    /// Works the feedback contacts that tell something else than what they were last told.
    pub(super) fn feed_back(&mut self, now: RigTime) {
        for index in 0..self.fed_back.len() {
            let contact = self.plan.bench.feedback[index];
            let closed = self.played.tells(contact.tells);
            if self.fed_back[index] != Some(closed) {
                self.fed_back[index] = Some(closed);
                let id = self.send(now, CommandKind::Contact { output: contact.output, closed });
                self.switches.push((id, self.plan.signals.feedback[index], closed));
            }
        }
    }

    pub(super) fn send(&mut self, at: RigTime, kind: CommandKind) -> CommandId {
        let id = CommandId(self.next_command);
        self.next_command += 1;
        // An answer has a patience of its own.
        if !matches!(kind, CommandKind::Prompt { .. }) {
            self.unacknowledged.push_back((id, at));
        }
        self.commands.push_back(Command { id, at, kind });
        id
    }

    pub(super) fn run_script(&mut self, now: RigTime) {
        loop {
            self.script.note_change(now, &self.present);
            match self.script.progress(now, &self.present) {
                Progress::Waits | Progress::Done => return,
                Progress::GaveUp(step) => return self.finish(Cut::GaveUp { step }),
                Progress::Unacknowledged(step) => return self.finish(Cut::Unacknowledged { step }),
                Progress::Due(step) => {
                    let planned = self.script.step(step).clone();
                    let mut waiting = Vec::new();
                    if matches!(planned.wait, PlannedWait::BeginFiring) {
                        self.begin_firing(now, &mut waiting);
                    }
                    for stimulus in &planned.stimuli {
                        self.stimulate(now, stimulus, &mut waiting);
                    }
                    let at_once = planned.stimuli.iter().any(happens_in_the_model);
                    let asks = waiting.iter().any(|id| self.prompts.contains(id));
                    if let Some(moment) = self.script.sent(now, waiting, asks, at_once) {
                        self.moment(moment);
                    }
                }
            }
        }
    }

    fn begin_firing(&mut self, now: RigTime, waiting: &mut Vec<CommandId>) {
        match self.plan.bench.begin.clone() {
            BeginFiring::Console { lines } => {
                let program = crate::words::program(&self.plan.firing);
                for line in lines {
                    let line = line.replace("{program}", &program);
                    let id = self.send(now, CommandKind::Console { line: line.clone() });
                    self.told.push((id, format!("console: {line}")));
                    waiting.push(id);
                }
            }
            BeginFiring::Contact { press } => {
                let start = self.plan.bench.contacts.iter().position(|contact| contact.role == ContactRole::Start);
                if let Some(index) = start {
                    waiting.push(self.work_contact(now, index, true));
                    let release = self.work_contact(now + press, index, false);
                    self.told.retain(|(id, _)| *id != release);
                }
            }
            BeginFiring::Operator => {
                let text = format!(
                    "Set the controller's program to: {}. Start the firing, then confirm.",
                    crate::words::program(&self.plan.firing)
                );
                waiting.push(self.prompt(now, text));
            }
        }
    }

    /// Clears a fault that the controller still has from an earlier run, once it has booted. What is
    /// latched in a memory that outlives the supply would have it refuse every later firing.
    pub(super) fn clear_fault(&mut self) {
        let at = RigTime::ZERO + SETTLE;
        if let Some(index) = limiters_reset(&self.plan.bench) {
            self.work_contact(at, index, true);
            self.work_contact(at + RESET_PRESS, index, false);
        }
        match self.plan.bench.clear_fault.clone() {
            None => {}
            Some(ClearFault::Console { lines }) => {
                for line in lines {
                    let id = self.send(at, CommandKind::Console { line: line.clone() });
                    self.told.push((id, format!("console: {line}")));
                }
            }
            Some(ClearFault::Contact { press }) => {
                let contacts = &self.plan.bench.contacts;
                let acknowledge = contacts.iter().position(|contact| contact.role == ContactRole::Acknowledge);
                if let Some(index) = acknowledge {
                    self.work_contact(at, index, true);
                    self.work_contact(at + press, index, false);
                }
            }
        }
    }

    /// Once the script is about to begin, a limiter's contact has to be closed: through an open one nothing heats, and a
    /// run in which nothing can heat shows nothing. Says whether the run goes on.
    pub(super) fn find_limiter_closed(&mut self, now: RigTime) -> bool {
        let bench = &self.plan.bench;
        if now < RigTime::ZERO + SETTLE + time_to_clear(bench) {
            return true;
        }
        let Some(relay) = self.limiter_to_find_closed.take() else { return true };
        if self.played.relay_on(relay) {
            return true;
        }
        let done = if limiters_reset(bench).is_some() {
            "its reset was pressed and has not closed it"
        } else {
            "the bench file has no contact `reset`, and nobody has reset it"
        };
        let detail = format!(
            "the limiter's contact is open {} into the run, before the firing begins: {done}. Find out why it has tripped, \
             reset it, and begin again",
            now.since_origin()
        );
        self.broke_down(Trouble { kind: TroubleKind::LimiterOpen, detail });
        false
    }

    fn prompt(&mut self, now: RigTime, text: String) -> CommandId {
        self.events.push_back(Event::Prompt { at: now, text: text.clone() });
        let id = self.send(now, CommandKind::Prompt { text });
        self.prompts.push(id);
        id
    }

    fn work_contact(&mut self, at: RigTime, index: usize, engaged: bool) -> CommandId {
        let contact = self.plan.bench.contacts[index];
        let closed = (contact.engaged == ContactState::Closed) == engaged;
        let id = self.send(at, CommandKind::Contact { output: contact.output, closed });
        self.switches.push((id, self.plan.signals.contacts[index], engaged));
        if contact.role == ContactRole::Lid {
            self.lids.push((id, engaged));
        }
        self.told.push((id, crate::words::contact(contact.role, engaged).to_owned()));
        id
    }

    fn stimulate(&mut self, now: RigTime, stimulus: &Stimulus, waiting: &mut Vec<CommandId>) {
        let text = crate::words::stimulus(stimulus);
        let bench = &self.plan.bench;
        match stimulus {
            Stimulus::Probe { zone, fault } => {
                self.played.advance_to(now);
                let zones = crate::plan::zone_indices(bench, zone).unwrap_or_default();
                let added = zones.iter().map(|&zone| (zone, self.played.probe_fault(now, zone, *fault)));
                let added = added.collect();
                self.set_probes_at_once(now, added, text, waiting);
            }
            Stimulus::ReconnectProbe { zone } => {
                self.played.advance_to(now);
                let zones = crate::plan::zone_indices(bench, zone).unwrap_or_default();
                let added = zones.iter().map(|&zone| (zone, self.played.mend_probe(now, zone)));
                let added = added.collect();
                self.set_probes_at_once(now, added, text, waiting);
            }
            Stimulus::LimiterProbe { fault } => {
                self.played.advance_to(now);
                let place = self.played.limiter_place();
                let added = place.map(|place| (place, self.played.probe_fault(now, place, *fault)));
                self.set_probes_at_once(now, added.into_iter().collect(), text, waiting);
            }
            Stimulus::ReconnectLimiterProbe => {
                self.played.advance_to(now);
                let place = self.played.limiter_place();
                let added = place.map(|place| (place, self.played.mend_probe(now, place)));
                self.set_probes_at_once(now, added.into_iter().collect(), text, waiting);
            }
            Stimulus::CrossProbes { one, other } => {
                self.played.advance_to(now);
                let zones = [one, other].map(|zone| crate::plan::zone_index(bench, zone));
                if let [Ok(one), Ok(other)] = zones {
                    self.played.cross_probes(one, other);
                    self.set_probes_at_once(now, vec![(one, None), (other, None)], text, waiting);
                }
            }
            Stimulus::WarmTerminals { by_millicelsius } => {
                self.played.advance_to(now);
                self.played.warm_terminals(*by_millicelsius);
                let all = (0..self.played.zones()).map(|zone| (zone, None)).collect();
                self.set_probes_at_once(now, all, text, waiting);
            }
            Stimulus::WarmBox { by_millicelsius } => {
                self.played.advance_to(now);
                let millicelsius = self.played.warm_box(*by_millicelsius);
                waiting.push(self.send(now, CommandKind::Terminals { millicelsius }));
                let all = (0..self.played.zones()).map(|zone| (zone, None)).collect();
                self.set_probes_at_once(now, all, text, waiting);
            }
            Stimulus::Leg { leg, present } => {
                let feeds_controls = bench.controls_leg == Some(*leg);
                self.played.leg(now, *leg, *present);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
                if feeds_controls {
                    let id = self.send(now, CommandKind::Supply { on: *present });
                    self.supplies.push((id, *present));
                    waiting.push(id);
                }
            }
            Stimulus::Neutral { present } => {
                self.played.neutral(now, *present);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::CoilSupply { present } => {
                self.played.coil_supply(now, *present);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::Bypass { zone, closed } => {
                for part in crate::plan::select_bypasses(bench, zone).unwrap_or_default() {
                    self.played.bypass(now, part, *closed);
                }
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::KilnSupply { millivolts } => {
                self.played.kiln_supply(now, *millivolts);
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::Relay { relay, .. } | Stimulus::FreeRelay { relay } => {
                let fault = match stimulus {
                    Stimulus::Relay { fault, .. } => Some(*fault),
                    _ => None,
                };
                for relay in crate::plan::select_relays(bench, relay).unwrap_or_default() {
                    self.played.relay_fault(now, relay, fault);
                }
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::LoseElement { zone } => {
                for zone in crate::plan::zone_indices(bench, zone).unwrap_or_default() {
                    self.played.lose_element(now, zone);
                }
                self.show_derived(now);
                self.events.push_back(Event::Stimulus { at: now, text });
            }
            Stimulus::Contact { contact, engaged } => {
                if let Some(index) = bench.contacts.iter().position(|wired| wired.role == *contact) {
                    waiting.push(self.work_contact(now, index, *engaged));
                }
            }
            Stimulus::Supply { on } => {
                let id = self.send(now, CommandKind::Supply { on: *on });
                self.told.push((id, text));
                self.supplies.push((id, *on));
                waiting.push(id);
            }
            Stimulus::Console(line) => {
                let id = self.send(now, CommandKind::Console { line: line.clone() });
                self.told.push((id, text));
                waiting.push(id);
            }
            Stimulus::Prompt(question) => waiting.push(self.prompt(now, question.clone())),
        }
    }

    /// Sets the probes of these zones anew, each with what the bench has to add to it from
    /// now on, and tells the stimulus once for all of them, when the last is set.
    fn set_probes_at_once(
        &mut self,
        now: RigTime,
        zones: Vec<(usize, Option<Disturbance>)>,
        text: String,
        waiting: &mut Vec<CommandId>,
    ) {
        let mut told = None;
        for (zone, disturbance) in zones {
            self.played.take_stale(zone);
            let Some(channel) = self.played.channel(zone) else { continue };
            let signal = self.played.signal(zone, now);
            let valid_until = now + GRID + GRID;
            self.setpoints += 1;
            let mut ids = vec![self.send(now, CommandKind::Probe { channel, signal, valid_until })];
            ids.extend(disturbance.map(|disturbance| self.send(now, CommandKind::Disturb { channel, disturbance })));
            told = ids.last().copied();
            waiting.extend(ids);
        }
        if let Some(id) = told {
            self.told.push((id, text));
        }
    }

    pub(super) fn applied(&mut self, command: CommandId, at: RigTime) {
        self.sample_until(at - RigSpan::from_micros(1));
        // Nearly always the first, for a bench acknowledges in the order of instants.
        if let Some(index) = self.unacknowledged.iter().position(|(id, _)| *id == command) {
            self.unacknowledged.remove(index);
        }
        if let Some(index) = self.told.iter().position(|(id, _)| *id == command) {
            let (_, text) = self.told.remove(index);
            self.events.push_back(Event::Stimulus { at, text });
        }
        if let Some(index) = self.switches.iter().position(|(id, ..)| *id == command) {
            let (_, signal, on) = self.switches.swap_remove(index);
            self.show(at, signal, on);
        }
        if let Some(index) = self.lids.iter().position(|(id, _)| *id == command) {
            let (_, open) = self.lids.swap_remove(index);
            self.played.lid(at, open);
        }
        if let Some(index) = self.supplies.iter().position(|(id, _)| *id == command) {
            let (_, on) = self.supplies.swap_remove(index);
            let up = self.present.get(self.plan.signals.supply) != Some(0);
            self.rail_never_fell |= on && self.rail_awaited;
            self.rail_awaited = !on && up;
            self.rise_awaited = on && !up;
            self.supply_is_cut = !on;
        }
        if let Some(moment) = self.script.applied(command, at) {
            self.moment(moment);
        }
    }

    /// How many commands were to take effect well before the end and are not known to have.
    pub(super) fn unacknowledged_before(&self, end: RigTime) -> usize {
        self.unacknowledged.iter().filter(|(_, at)| *at + ACKNOWLEDGED_WITHIN < end).count()
    }
}

/// Whether a stimulus takes effect in the model alone, at the very instant of its step.
fn happens_in_the_model(stimulus: &Stimulus) -> bool {
    matches!(
        stimulus,
        Stimulus::Relay { .. }
            | Stimulus::FreeRelay { .. }
            | Stimulus::LoseElement { .. }
            | Stimulus::Leg { .. }
            | Stimulus::Neutral { .. }
            | Stimulus::CoilSupply { .. }
            | Stimulus::Bypass { .. }
            | Stimulus::KilnSupply { .. }
    )
}
