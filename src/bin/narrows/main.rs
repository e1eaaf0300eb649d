//! The `narrows` program.

fn main() {}
