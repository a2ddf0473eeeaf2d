//! A part of the run inside which a condition opens a scope.

use std::collections::VecDeque;

use crate::course::NEVER;
use crate::{Instant, MomentId};

/// Where a trigger counts, and whether it may have been missed at the edges.
pub(crate) struct Inside {
    /// The moment with which the part begins, and how long after it; with the
    /// run if there is none.
    start: Option<(MomentId, i64)>,
    /// How well the instants of the trigger are known.
    edge_uncertainty: i64,
    /// Beginnings that lie ahead.
    pub(crate) openings: VecDeque<(i64, i64)>,
    /// The part that is open.
    open: Option<Open>,
    /// Only a trigger that becomes true inside counts, not one that is true
    /// where the part begins: how long it lasts is claimed to be enough.
    from_within: bool,
    /// The last instant at which the trigger ceased to be true.
    fell_at: i64,
    /// The last instant at which it became true.
    rose_at: i64,
    /// The instant just after all at which an ended part may have gone on.
    over_from: i64,
    /// The trigger may have been true inside without opening the scope.
    pub(crate) doubtful: bool,
}

#[derive(Clone, Copy)]
struct Open {
    since: i64,
    uncertainty: i64,
}

impl Inside {
    pub(crate) fn new(start: Option<&Instant>, edge_uncertainty: i64, from_within: bool) -> Self {
        Inside {
            start: start.map(|start| (start.moment, start.offset.as_micros())),
            edge_uncertainty,
            openings: VecDeque::from_iter(start.is_none().then_some((0, 0))),
            open: None,
            from_within,
            fell_at: NEVER,
            rose_at: NEVER,
            over_from: NEVER,
            doubtful: false,
        }
    }

    /// How long after a moment the part begins, if it does with that one.
    pub(crate) fn begins_with(&self, moment: MomentId) -> Option<i64> {
        self.start.filter(|(start, _)| *start == moment).map(|(_, offset)| offset)
    }

    /// Whether the trigger opens the scope at the present instant, at which the
    /// part may begin or end.
    pub(crate) fn counts(&mut self, at: i64, (begins, ends): (bool, bool), (holds, risen): (bool, bool)) -> bool {
        let Some(open) = self.open else { return false };
        if !self.from_within {
            return begins && holds || risen && !begins && !ends;
        }
        if !risen || ends {
            return false;
        }
        // Else it may have become true before the part began.
        let surely_inside = at >= open.since + self.doubt(open);
        self.doubtful |= !surely_inside;
        surely_inside
    }

    /// How well an instant is known at which the scope opens.
    pub(crate) fn uncertainty(&self) -> i64 {
        self.open.map_or(0, |open| open.uncertainty) + self.edge_uncertainty
    }

    /// How far from the truth the order of the part's beginning and an edge of
    /// the trigger may be; the beginning of the run is exact.
    fn doubt(&self, open: Open) -> i64 {
        if self.start.is_none() { 0 } else { open.uncertainty + self.edge_uncertainty }
    }

    /// The trigger ceases to be true. If it may have done so before the part
    /// began: since when what had opened may not have.
    pub(crate) fn fall(&mut self, at: i64) -> Option<i64> {
        self.fell_at = at;
        // What was true before the part began does not count then anyway.
        let open = self.open.filter(|open| !self.from_within && at < open.since + self.doubt(*open))?;
        self.doubtful = true;
        Some(open.since)
    }

    /// Begins the part if one is to begin now and none is open; whether it did.
    pub(crate) fn begin(&mut self, at: i64) -> bool {
        let mut uncertainty = None;
        while let Some(&(opens_at, own)) = self.openings.front()
            && opens_at <= at
        {
            self.openings.pop_front();
            uncertainty = uncertainty.max(Some(own));
        }
        let Some(uncertainty) = uncertainty.filter(|_| self.open.is_none()) else { return false };
        let open = Open { since: at, uncertainty };
        let near = if self.from_within { self.rose_at } else { self.fell_at };
        self.doubtful |= near > at - self.doubt(open);
        self.open = Some(open);
        true
    }

    /// The trigger becomes true.
    pub(crate) fn rise(&mut self, at: i64) {
        self.rose_at = at;
        self.doubtful |= at < self.over_from;
    }

    /// The part ends just before an instant, at which the trigger may have risen.
    pub(crate) fn close(&mut self, at: i64, uncertainty: i64, risen: bool) {
        if self.open.take().is_some() {
            self.over_from = self.over_from.max(at + uncertainty + self.edge_uncertainty);
            if risen {
                self.rise(at);
            }
        }
    }

    /// Whether a part goes on at the present instant.
    pub(crate) fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// A beginning that the run did not reach.
    pub(crate) fn ahead(&self) -> Option<(i64, i64)> {
        if self.open.is_some() { None } else { self.openings.front().copied() }
    }
}
