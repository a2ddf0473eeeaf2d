//! Evidence for people and machines.
