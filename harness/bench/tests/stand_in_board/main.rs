//! The stand-in on its board, in closed loop with the thermal model.

mod closed_loop;
mod firings;
mod hazards;
