//! What a rig does, independent of any board.
#![no_std]
