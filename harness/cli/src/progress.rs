//! How far a session has come, for somebody who watches a terminal.

use std::collections::BTreeMap;
use std::time::Duration;

use dryfire_report::neutralise;
use dryfire_units::RigTime;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A bar on standard error, or nothing where nobody watches.
pub(crate) struct Progress {
    bar: ProgressBar,
    /// Runs that go on, with how far they have come.
    running: BTreeMap<usize, (String, RigTime)>,
}

impl Progress {
    pub(crate) fn new(scenarios: usize, visible: bool) -> Self {
        let target = if visible { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(Some(scenarios as u64), target);
        if let Ok(style) = ProgressStyle::with_template("{pos:>3}/{len} [{bar:24}] {wide_msg}") {
            bar.set_style(style.progress_chars("=> "));
        }
        if visible {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        Progress { bar, running: BTreeMap::new() }
    }

    pub(crate) fn started(&mut self, job: usize, scenario: &str) {
        self.running.insert(job, (neutralise(scenario), RigTime::ZERO));
        self.show();
    }

    pub(crate) fn reached(&mut self, job: usize, at: RigTime) {
        if let Some((_, reached)) = self.running.get_mut(&job) {
            *reached = at;
        }
        self.show();
    }

    pub(crate) fn finished(&mut self, job: usize) {
        self.running.remove(&job);
        self.bar.inc(1);
        self.show();
    }

    /// A run that is none of the scenarios has come so far.
    pub(crate) fn proving(&self, at: RigTime) {
        self.bar.set_message(format!("proving that each relay can be seen on ({at} of rig time)"));
    }

    /// The bar says that it is coming to an end.
    pub(crate) fn stopping(&mut self) {
        self.bar.set_message("stopping; Ctrl-C again ends at once");
    }

    pub(crate) fn clear(&self) {
        self.bar.finish_and_clear();
    }

    fn show(&self) {
        // The first that was started is the one that takes longest.
        if let Some((scenario, at)) = self.running.values().next() {
            let others = self.running.len() - 1;
            let more = if others > 0 { format!(" and {others} more") } else { String::new() };
            self.bar.set_message(format!("{scenario} ({at} of rig time){more}"));
        }
    }
}
