//! The logic of a kiln controller, and its switchable defects.
#![no_std]
