//! Readings of one machine, lens and axis over time: has the focus moved, is it creeping, and what to check first.

pub mod individuals;
pub mod trend;
