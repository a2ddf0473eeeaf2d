//! Laws that hold for every expectation and every trace, on random small cases
//! with fixed seeds: instants are few, so edges fall exactly on bounds, on one
//! another and on moments.

mod agreement;
mod cases;
mod conformity;
mod lattice;
mod margins;
mod splitting;
