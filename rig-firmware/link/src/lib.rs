//! Messages and framing between host and rig.
#![no_std]
