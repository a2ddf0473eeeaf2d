//! The rig bench: over a clean wire, over bad ones, and behind a pseudo-terminal.

mod breakdowns;
mod clean;
mod faulty;
mod free;
mod pseudo_terminal;
mod scenario;
mod support;
