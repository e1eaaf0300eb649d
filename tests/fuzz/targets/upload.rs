#![no_main]

#[path = "../entries.rs"]
mod entries;
mod hook;

libfuzzer_sys::fuzz_target!(init: hook::pass_over_known(), |bytes: &[u8]| entries::upload(bytes));
