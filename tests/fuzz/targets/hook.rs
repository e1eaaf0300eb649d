//! Panics that are none of ours.

use std::panic;

/// Sources of decoders that panic on some damaged files, as they stand in a panic's location.
const KNOWN: [&str; 2] = ["/image-webp-", "/zune-jpeg-"];

/// `photo::decode_bytes` catches what decoders panic with and tells it as a broken file, which is all that can be done here;
/// but libFuzzer's hook ends the process before anything can be caught, and a run would stop at the same known panic within
/// a minute. Any other panic stops the run as before, and so does one of these that nothing catches.
///
/// To be called in a target's `init`, where libFuzzer's hook is already in place.
pub fn pass_over_known() {
    let stop = panic::take_hook();
    panic::set_hook(Box::new(move |panic| {
        let is_known = panic.location().is_some_and(|at| KNOWN.iter().any(|source| at.file().contains(source)));
        if !is_known {
            stop(panic);
        }
    }));
}
