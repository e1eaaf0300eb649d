//! How good the reading is: strips rendered with known truth, read through the whole path, and judged.
//!
//! `cargo bench --bench accuracy` reads 200 strips and one of every trap; see `README.md` beside this file for the flags.
//! Exits with 1 where a judged row falls short.

mod bound;
mod options;
mod surfaces;
mod table;
mod trial;

use std::process::ExitCode;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use narrows::synth::traps::Trap;
use rayon::prelude::*;

use options::{Options, Task};
use surfaces::Surfaces;
use trial::{Case, Trial};

fn main() -> ExitCode {
    let options = match Options::from_arguments(std::env::args().skip(1)) {
        Ok(options) => options,
        Err(message) => {
            eprintln!("error: {message}\nhint: see tests/bench/README.md for the flags");
            return ExitCode::from(2);
        }
    };
    match run(&options) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::from(3)
        }
    }
}

/// Does what was asked; false where a judged row falls short.
fn run(options: &Options) -> Result<bool, Box<dyn std::error::Error>> {
    let surfaces = Surfaces::from_environment()?;
    if let Task::Dump { folder, seed } = &options.task {
        trial::dump(folder, options.case(*seed), &surfaces)?;
        return Ok(true);
    }
    if options.task == Task::Bound {
        bound::print()?;
        return Ok(true);
    }
    let strips: Vec<Case> = match options.task {
        Task::Traps => vec![],
        _ => options.seeds().map(|seed| options.case(seed)).collect(),
    };
    let repeats = if options.task == Task::Traps { options.count.div_ceil(Trap::ALL.len()) } else { 1 };
    let traps: Vec<Case> = match options.stratum {
        Some(_) => vec![],
        None => {
            (0..repeats as u64).flat_map(|round| Trap::ALL.map(|trap| Case::Trap(trap, options.seed + round))).collect()
        }
    };
    let begun = Instant::now();
    let strips = read_all(&strips, &surfaces);
    let traps = read_all(&traps, &surfaces);
    println!("{} strips and {} traps in {:.0?}", strips.len(), traps.len(), begun.elapsed());
    if let Some(path) = &options.csv {
        trial::write_csv(path, strips.iter().chain(&traps))?;
    }
    let passed = table::print(&strips, &traps);
    table::print_worst(&strips, &traps, options.list_worst);
    if options.task == Task::Strips && options.stratum.is_none() {
        bound::print()?;
    }
    Ok(passed)
}

fn read_all(cases: &[Case], surfaces: &Surfaces) -> Vec<Trial> {
    let done = AtomicUsize::new(0);
    cases
        .par_iter()
        .with_max_len(1)
        .map(|case| {
            let trial = trial::run(*case, surfaces);
            let done = done.fetch_add(1, Ordering::Relaxed) + 1;
            if done.is_multiple_of(20) {
                eprintln!("{done} of {}", cases.len());
            }
            trial
        })
        .collect()
}
