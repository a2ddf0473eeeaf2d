//! The events of a run again, from its record.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use dryfire_engine::Event;
use dryfire_judge::{SignalId, SignalKind};
use dryfire_units::RigTime;

use crate::block::{Reading, Sample};
use crate::reader::{Record, Samples};
use crate::{Edge, RecordError, Run, TimedEvent};

impl Record {
    /// Gives out every event of a run as it was when it happened, samples included.
    ///
    /// Moments, stimuli, console lines, decisions and edges come in the order in which they
    /// became known. Samples come by their instants, before every event that they came before;
    /// of edges and samples of the same instant, edges come first.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn replay(&self, run: &Run, give: &mut dyn FnMut(Event)) -> Result<(), RecordError> {
        let mut merged = Merged::new(self, run)?;
        let mut given = 0;
        for TimedEvent { event, edges_before, levels_until } in self.events(run)? {
            while given < edges_before {
                let edge =
                    merged.edge().ok_or_else(|| self.damaged(format!("edges of run {} are missing", run.number)))?;
                merged.samples_before(edge.at, give)?;
                give(Event::Switched { at: edge.at, signal: edge.signal, on: edge.on });
                given += 1;
            }
            if let Some(until) = levels_until {
                merged.samples_before(RigTime::from_micros(until.as_micros().saturating_add(1)), give)?;
            }
            give(event);
        }
        // What came after the last event, in a run that was broken off.
        while let Some(edge) = merged.edge() {
            merged.samples_before(edge.at, give)?;
            give(Event::Switched { at: edge.at, signal: edge.signal, on: edge.on });
        }
        merged.samples_before(RigTime::from_micros(i64::MAX), give)
    }
}

/// Edges, and the samples of all levels by their instants.
struct Merged<'a> {
    edges: std::vec::IntoIter<Edge>,
    levels: Vec<Samples<'a>>,
    /// The next sample of each level: instant, signal, place in `levels`.
    next: BinaryHeap<Reverse<(RigTime, u16, usize)>>,
    waiting: Vec<Option<Sample>>,
}

impl<'a> Merged<'a> {
    fn new(record: &'a Record, run: &'a Run) -> Result<Self, RecordError> {
        let levels = run.table().iter().filter(|(_, spec)| spec.kind != SignalKind::Switch);
        let levels: Vec<SignalId> = levels.map(|(id, _)| id).collect();
        let mut merged = Merged {
            edges: record.edges(run)?.into_iter(),
            levels: levels.iter().map(|id| record.samples(run, *id)).collect::<Result<_, _>>()?,
            next: BinaryHeap::new(),
            waiting: vec![None; levels.len()],
        };
        for (place, id) in levels.into_iter().enumerate() {
            merged.fetch(place, id.0)?;
        }
        Ok(merged)
    }

    fn edge(&mut self) -> Option<Edge> {
        self.edges.next()
    }

    fn fetch(&mut self, place: usize, signal: u16) -> Result<(), RecordError> {
        self.waiting[place] = self.levels[place].next().transpose()?;
        if let Some(sample) = self.waiting[place] {
            self.next.push(Reverse((sample.at, signal, place)));
        }
        Ok(())
    }

    fn samples_before(&mut self, end: RigTime, give: &mut dyn FnMut(Event)) -> Result<(), RecordError> {
        while let Some(Reverse((at, signal, place))) = self.next.peek().copied().filter(|Reverse((at, ..))| *at < end) {
            self.next.pop();
            let id = SignalId(signal);
            match self.waiting[place].map(|sample| sample.reading) {
                Some(Reading::Value(value)) => give(Event::Sampled { at, signal: id, value }),
                Some(Reading::Unobserved { until }) => give(Event::Unobserved { at, signal: id, until }),
                None => {}
            }
            self.fetch(place, signal)?;
        }
        Ok(())
    }
}
