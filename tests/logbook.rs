//! The logbook as people use it, and what it withstands.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

#[path = "support/drawn.rs"]
mod drawn;
#[path = "logbook/support.rs"]
mod support;

#[path = "logbook/care.rs"]
mod care;
#[path = "logbook/demo.rs"]
mod demo;
#[path = "logbook/keeping.rs"]
mod keeping;
#[path = "logbook/survival.rs"]
mod survival;
