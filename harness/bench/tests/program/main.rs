//! The program bench with real child processes: the controllers in `tests/controllers`.
//!
//! They are Python, standard library only. Where there is no `python3` the
//! tests say so and are skipped; with `CI` set they fail instead.

mod breakdowns;
mod controller;
mod lockstep;
mod page;
mod support;
