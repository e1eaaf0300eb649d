//! Where straight valleys or crests run in a reduced picture: a Hough vote in which each pixel votes only near its own direction.

use rayon::prelude::*;

use super::coarse::Coarse;
use super::valley::{ANGLE_STEP, ANGLES, valley_pixels};

const RHO_STEP: f64 = 2.0;
/// Runs of either sign that are kept whatever those of the other are, from this share of the strongest's votes.
const LEAST_OF_A_SIGN: usize = 5;
const LEAST_VOTES: f64 = 0.3;
/// Votes are spread over this many angle bins on each side of a pixel's own direction.
const ANGLE_SPREAD: isize = 5;

/// A straight run of valley or crest pixels: `x·cos θ + y·sin θ = ρ` in coarse pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// Angle of the normal, 0 to π.
    pub theta: f64,
    /// Distance from the corner.
    pub rho_px: f64,
    /// Darker than both sides.
    pub is_dark: bool,
    /// Sum of the votes.
    pub votes: f64,
}

/// The strongest straight runs, valleys and crests together, strongest first: at most `most`, and up to five of a sign
/// that has fewer among these.
pub fn straight_runs(coarse: &Coarse, most: usize) -> Vec<Run> {
    let [height, width] = [coarse.log_light.nrows(), coarse.log_light.ncols()];
    let diagonal = ((width * width + height * height) as f64).sqrt();
    let rho_bins = (2.0 * diagonal / RHO_STEP) as usize + 3;
    let directions: Vec<(f32, f32)> = (0..ANGLES).map(|k| ((k as f64 * ANGLE_STEP) as f32).sin_cos()).collect();

    let mut levels = Vec::new();
    let mut level = None;
    for _ in 0..4 {
        let here: &Coarse = level.as_ref().unwrap_or(coarse);
        if here.log_light.nrows() < 8 || here.log_light.ncols() < 8 {
            break;
        }
        levels.push(valley_pixels(&here.log_light));
        level = Some(here.halved());
    }
    // Each angle by itself, its pixels in their order: the sums do not depend on the threads.
    let of_sign = |is_dark: bool| {
        let mut by_angle: Vec<Vec<[f32; 3]>> = vec![Vec::new(); ANGLES];
        for (step, rows) in levels.iter().enumerate() {
            // A pixel of a coarser level stands for `scale` pixels along the line.
            let scale = (1u32 << step) as f32;
            for pixel in rows.iter().flatten().filter(|pixel| pixel.is_dark == is_dark) {
                let place = [pixel.x, pixel.y].map(|k| (f32::from(k) + 0.5) * scale);
                by_angle[usize::from(pixel.angle)].push([place[0], place[1], pixel.depth * scale]);
            }
        }
        let mut accumulator = vec![0f32; ANGLES * rho_bins];
        let vote = |(angle, sums): (usize, &mut [f32])| {
            let (sin, cos) = directions[angle];
            // Fresh pages that are read before they are written cost the kernel a word with every core, one by one.
            sums.fill(0.0);
            for spread in -ANGLE_SPREAD..=ANGLE_SPREAD {
                for [x, y, weight] in &by_angle[(angle as isize + spread).rem_euclid(ANGLES as isize) as usize] {
                    let slot = (x * cos + y * sin + diagonal as f32) / RHO_STEP as f32;
                    let base = slot as u32 as usize;
                    let share = slot - base as f32;
                    sums[base] += weight * (1.0 - share);
                    sums[base + 1] += weight * share;
                }
            }
            highest(sums)
        };
        let mut peaks: Vec<(usize, f32)> = accumulator.par_chunks_exact_mut(rho_bins).enumerate().map(vote).collect();
        let mut runs = Vec::new();
        for _ in 0..most {
            let (angle, (slot, votes)) = peaks
                .iter()
                .enumerate()
                .fold((0, (0, 0f32)), |a, (i, peak)| if peak.1 > a.1.1 { (i, *peak) } else { a });
            if votes <= 0.0 {
                break;
            }
            let theta = angle as f64 * ANGLE_STEP;
            let rho_px = slot as f64 * RHO_STEP - diagonal;
            runs.push(Run { theta, rho_px, is_dark, votes: f64::from(votes) });
            for angle in silence(&mut accumulator, rho_bins, diagonal, [width as f64, height as f64], theta, rho_px) {
                peaks[angle] = highest(&accumulator[angle * rho_bins..][..rho_bins]);
            }
        }
        runs
    };
    let (light, dark) = rayon::join(|| of_sign(false), || of_sign(true));
    let mut runs: Vec<(usize, Run)> = [light, dark].into_iter().flat_map(|runs| runs.into_iter().enumerate()).collect();
    runs.sort_by(|a, b| b.1.votes.total_cmp(&a.1.votes));
    let least = LEAST_VOTES * runs.first().map_or(0.0, |(_, run)| run.votes);
    // The lines of a mat, all of one sign, must not crowd out a line of the other.
    let kept = runs
        .into_iter()
        .enumerate()
        .filter(|(rank, (of_sign, run))| *rank < most || (*of_sign < LEAST_OF_A_SIGN && run.votes > least));
    kept.map(|(_, (_, run))| run).collect()
}

/// The highest of an angle's votes and the first place that has them; 0 at the first where there are none.
fn highest(votes: &[f32]) -> (usize, f32) {
    // Several maxima side by side, then where the greatest is.
    const LANES: usize = 16;
    let mut lanes = [0f32; LANES];
    let (whole, rest) = votes.as_chunks::<LANES>();
    for votes in whole {
        for (most, votes) in lanes.iter_mut().zip(votes) {
            *most = if *votes > *most { *votes } else { *most };
        }
    }
    let most = lanes.iter().chain(rest).fold(0f32, |most, votes| most.max(*votes));
    (votes.iter().position(|votes| *votes == most).unwrap_or(0), most)
}

/// Clears the bins of lines that, inside the picture, run along the same course: within a few pixels at the
/// nearest point to the run's own middle and within a few degrees. Gives the angles at which it did.
fn silence(
    accumulator: &mut [f32],
    rho_bins: usize,
    diagonal: f64,
    size: [f64; 2],
    theta: f64,
    rho: f64,
) -> Vec<usize> {
    const NEAR_DEGREES: f64 = 8.0;
    let near = (NEAR_DEGREES.to_radians() / ANGLE_STEP) as isize;
    let centre = (theta / ANGLE_STEP).round() as isize;
    let [middle_x, middle_y] = [size[0] / 2.0, size[1] / 2.0];
    let offset = rho - (middle_x * theta.cos() + middle_y * theta.sin());
    let mut touched = Vec::new();
    for spread in -near..=near {
        let bin = centre + spread;
        let angle = bin as f64 * ANGLE_STEP;
        let wrapped = bin.rem_euclid(ANGLES as isize) as usize;
        let sign = if bin < 0 || bin >= ANGLES as isize { -1.0 } else { 1.0 };
        let here = sign * (middle_x * angle.cos() + middle_y * angle.sin() + offset);
        // A line crossing at a small angle leaves the run's course by this much half way to the picture's edge.
        let reach = 10.0 + (spread as f64 * ANGLE_STEP).abs().sin() * diagonal * 0.35;
        let from = (((here - reach + diagonal) / RHO_STEP).max(0.0)) as usize;
        let to = ((((here + reach + diagonal) / RHO_STEP).max(0.0)) as usize).min(rho_bins - 1);
        if from <= to {
            accumulator[wrapped * rho_bins + from..=wrapped * rho_bins + to].fill(0.0);
            touched.push(wrapped);
        }
    }
    touched
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    #[test]
    fn the_highest_is_the_first_of_the_highest() {
        let mut votes = vec![0f32; 163];
        assert_eq!(highest(&votes), (0, 0.0));
        for (place, value) in [(161, 2.0), (40, 2.0), (70, 1.0), (17, 3.0)] {
            votes[place] = value;
            let wanted = (0..votes.len()).rev().max_by(|a, b| votes[*a].total_cmp(&votes[*b])).unwrap();
            assert_eq!(highest(&votes), (wanted, votes[wanted]));
        }
    }

    /// A valley or a crest at any angle is the strongest run, where it was drawn.
    #[test]
    fn a_line_is_found_where_it_was_drawn() {
        for degrees in [0.0f64, 20.0, 45.0, 77.5, 90.0, 121.0, 170.0] {
            for is_dark in [true, false] {
                let (sin, cos) = degrees.to_radians().sin_cos();
                let rho = 150.0 * cos + 100.0 * sin;
                let log_light = Array2::from_shape_fn((200, 300), |(y, x)| {
                    let away = (x as f64 + 0.5) * cos + (y as f64 + 0.5) * sin - rho;
                    let depth = 0.5 * (-0.5 * (away / 1.5).powi(2)).exp() as f32;
                    if is_dark { -depth } else { depth }
                });
                let run = straight_runs(&Coarse { log_light, factor: 1.0, corner_px: [0.0; 2] }, 3)[0];
                let turned = (run.theta.to_degrees() - degrees).abs();
                assert!(turned.min(180.0 - turned) < 0.51 && run.is_dark == is_dark, "{degrees}: {run:?}");
                let away = 150.0 * run.theta.cos() + 100.0 * run.theta.sin() - run.rho_px;
                assert!(away.abs() < RHO_STEP, "{degrees}: {run:?}");
            }
        }
    }
}
