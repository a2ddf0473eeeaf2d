//! Mistakes that ride along: whether a controller with one of them would have done the same.
//!
//! Most mistakes make no difference in most runs. The board of a controller without a mistake lets controllers with one
//! each see and hear whatever it sees and hears. As long as one of them answers with the same outputs, lines and saves,
//! its own run would have been the same to the last microsecond, because the board around it is the same too. At the
//! first other answer it is let go: how its own run would have gone on from there is not known. Where a mistake is the
//! board's own, at least in part, the board lets it go where it asks about that mistake.

use dryfire_stand_in::{Contacts, Defect, Defects, Inputs, Line, MemoryImage, Outputs, Save, Settings, StandIn};

/// Mistakes of the board that may show at any time: comparing programs does not show them, and no moment of the board does.
const OF_THE_BOARD: [Defect; 1] = [Defect::ColdJunctionReadOnce];

/// Whether it is known when a mistake makes a difference, so that it can ride along.
fn can_ride_along(mistake: Defect) -> bool {
    !mistake.is_of_limiter() && !OF_THE_BOARD.contains(&mistake)
}

/// The mistakes that have made no difference so far, each with its controller while the board's own runs.
#[derive(Debug, Default)]
pub(super) struct Companions {
    aboard: Vec<(Defect, Option<StandIn>)>,
}

impl Companions {
    /// Those of the mistakes that can ride along.
    pub(super) fn new(mistakes: &[Defect]) -> Self {
        let aboard = mistakes.iter().copied().filter(|mistake| can_ride_along(*mistake));
        Companions { aboard: aboard.map(|mistake| (mistake, None)).collect() }
    }

    /// Those that are still aboard.
    pub(super) fn mistakes(&self) -> impl Iterator<Item = Defect> {
        self.aboard.iter().map(|(mistake, _)| *mistake)
    }

    /// The board's controller boots with this memory, and they do.
    pub(super) fn boot(&mut self, settings: Settings, defects: Defects, memory: &MemoryImage) {
        for (mistake, controller) in &mut self.aboard {
            *controller = Some(StandIn::boot(settings, defects.with(*mistake), memory));
        }
    }

    /// A line reaches the program.
    pub(super) fn console_line(&mut self, line: &str) {
        self.aboard.iter_mut().filter_map(|(_, controller)| controller.as_mut()).for_each(|it| it.console_line(line));
    }

    /// The board's controller has answered a tick with these outputs.
    pub(super) fn tick(&mut self, now_ms: u32, inputs: &Inputs, answered: Outputs) {
        self.keep(|controller| controller.tick(now_ms, inputs) == answered);
    }

    /// It has answered a look at its contacts with these outputs.
    pub(super) fn poll_contacts(&mut self, now_ms: u32, contacts: &Contacts, answered: Outputs) {
        self.keep(|controller| controller.poll_contacts(now_ms, contacts) == answered);
    }

    /// It has handed this out to be saved, where it had something: who has something asks for the time that writing
    /// takes, even if nothing comes of it.
    pub(super) fn save(&mut self, handed_out: Option<Option<&Save>>) {
        self.keep(|controller| match handed_out {
            None => !controller.has_save(),
            Some(save) => controller.has_save() && controller.take_save().as_ref() == save,
        });
    }

    /// It has written a line, or had no other to write.
    pub(super) fn line(&mut self, written: Option<&Line>) {
        self.keep(|controller| match written {
            None => !controller.has_line(),
            Some(line) => controller.take_line().as_ref() == Some(line),
        });
    }

    /// The board comes to where it would do something else with one of these mistakes.
    pub(super) fn let_go(&mut self, mistakes: &[Defect]) {
        self.aboard.retain(|(mistake, _)| !mistakes.contains(mistake));
    }

    fn keep(&mut self, mut does_the_same: impl FnMut(&mut StandIn) -> bool) {
        self.aboard.retain_mut(|(_, controller)| controller.as_mut().is_some_and(&mut does_the_same));
    }
}
