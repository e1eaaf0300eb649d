//! What a plan expects of the picture against the spread of rendered and read strips.
//!
//!     cargo bench --bench plan [-- COUNT]
//!
//! Printed, not judged; `tests/plan.rs` judges a few strips of the first row.
#![allow(missing_docs)]
#![allow(clippy::unwrap_used)] // a strip that cannot be read ends the bench

#[path = "../support/planned.rs"]
mod planned;
#[path = "../support/strips.rs"]
mod strips;

use narrows::plan::{PlanRequest, PlannedPicture, plan};
use rayon::prelude::*;

fn main() {
    let count = std::env::args().skip(1).find_map(|argument| argument.parse::<u64>().ok()).unwrap_or(40);
    let small = planned::small();
    let rows = [
        ("small strip", small.clone(), 7.0),
        ("focus off by 1.5 mm", small.clone(), 5.5),
        ("coarse grain", PlanRequest { grain: 0.06, grain_length_mm: 2.5, ..small.clone() }, 7.0),
        ("fine grain", PlanRequest { grain: 0.012, grain_length_mm: 0.8, ..small.clone() }, 7.0),
        ("scan at 1200 dpi", PlanRequest { picture: PlannedPicture::Scan { dpi: 1200.0 }, ..small.clone() }, 7.0),
        ("longer strip", PlanRequest { strip_length_mm: 160.0, search_mm: 3.0, ..small }, 7.0),
    ];
    println!("height of the finest place, {count} strips each: root mean square error, mean, planned, ratio");
    for (name, request, focus_at) in rows {
        let plan = plan(&request).unwrap();
        let outcomes: Vec<Option<f64>> = (0..count)
            .into_par_iter()
            .map(|seed| {
                let scene = planned::scene(&plan, focus_at, 1000 + seed);
                let truth = scene.truth().waist?;
                let focus = planned::reading(&plan, &scene).outcome.ok()?;
                Some((focus.position_mm.value - truth.position_mm) * truth.slope)
            })
            .collect();
        let errors: Vec<f64> = outcomes.iter().flatten().copied().collect();
        let number = errors.len() as f64;
        let rms = (errors.iter().map(|error| error * error).sum::<f64>() / number).sqrt();
        let mean = errors.iter().sum::<f64>() / number;
        let expected = narrows::plan::accuracy::expect_at(
            &plan.request,
            &plan.spot,
            &plan.ramp,
            &plan.burn,
            &plan.picture,
            focus_at,
        );
        let planned = expected.picture_height_u_mm(&plan.ramp);
        println!(
            "  {name:<22} {rms:.4} mm, {mean:+.4}, {planned:.4}, {:.2}  ({} of {count} read)",
            rms / planned,
            errors.len()
        );
    }
}
