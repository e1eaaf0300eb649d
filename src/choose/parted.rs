//! Whether two lines lie on two things: strips side by side on a bench, each with a line of its own.

use super::candidate::Candidate;
use super::ground::light;
use crate::photo::Photo;

/// Places along the first line at which the lane to the other is looked at, and samples across it.
const PLACES: usize = 40;
const SAMPLES: usize = 80;
/// Samples along the line that are averaged, and their distance as a share of its length: grain is short.
const ALONG: i32 = 4;
const ALONG_STEP: f64 = 0.002;
/// Difference of light (natural log) between two grounds. Brown edges, soot and ordinary grain differ by less, away from a line.
const OTHER_GROUND: f64 = 0.5;
/// How far beside a line its brown edge and soot are, in widths of it and as a share of the lane.
const BESIDE_WIDTHS: f64 = 2.0;
const BESIDE_SHARE: f64 = 0.12;
/// Share of the lane that other ground must take, and of the places at which it must.
const STRETCH: f64 = 0.04;
const MOST_PLACES: f64 = 0.7;

/// True where `other` lies on something else than `first`: one is darker than its ground and one lighter, or their grounds differ, or
/// what lies between them is neither's.
///
/// Two strokes on one strip have one ground from one to the other.
pub fn are_parted(photo: &Photo, first: &Candidate, other: &Candidate) -> bool {
    first.course.is_dark != other.course.is_dark
        || (first.ground_ln - other.ground_ln).abs() > OTHER_GROUND
        || has_other_ground_between(photo, first, other)
}

fn has_other_ground_between(photo: &Photo, first: &Candidate, other: &Candidate) -> bool {
    let [mut looked, mut parted] = [0.0f64; 2];
    for place in 0..PLACES {
        let course = &first.course;
        let length = course.end_px - course.start_px;
        let along = course.start_px + (place as f64 + 0.5) / PLACES as f64 * length;
        let Some(across) = distance_across(first, other, along) else { continue };
        looked += 1.0;
        let level = |share: f64| -> Option<f64> {
            let lights: Option<Vec<f64>> = (-ALONG..=ALONG)
                .map(|k| light(photo, course.place(along + f64::from(k) * ALONG_STEP * length, share * across)))
                .collect();
            let lights = lights?;
            Some((lights.iter().sum::<f64>() / lights.len() as f64).max(1.0).ln())
        };
        let beside = |candidate: &Candidate, along: f64| {
            (BESIDE_WIDTHS * candidate.guide.at(along) / across.abs()).max(BESIDE_SHARE)
        };
        let other_along = other.course.along_across(course.place(along, across))[0];
        let [from, to] = [beside(first, along), 1.0 - beside(other, other_along)];
        let (Some(near), true) = (level(from), from < to) else { continue };
        let stretch = (STRETCH * SAMPLES as f64).ceil() as usize;
        let mut run = 0;
        let is_parted = (0..SAMPLES).any(|k| {
            let share = from + (to - from) * k as f64 / SAMPLES as f64;
            run = if level(share).is_some_and(|here| (here - near).abs() > OTHER_GROUND) { run + 1 } else { 0 };
            run >= stretch
        });
        parted += f64::from(u8::from(is_parted));
    }
    looked > 0.5 * PLACES as f64 && parted > MOST_PLACES * looked
}

/// How far across `first` the other's course runs at a place along it; `None` beyond the other's ends.
fn distance_across(first: &Candidate, other: &Candidate, along_px: f64) -> Option<f64> {
    // Straight enough that its ends tell.
    let ends =
        [other.course.start_px, other.course.end_px].map(|end| first.course.along_across(other.course.place(end, 0.0)));
    let share = (along_px - ends[0][0]) / (ends[1][0] - ends[0][0]);
    (0.0..=1.0).contains(&share).then(|| ends[0][1] + share * (ends[1][1] - ends[0][1]))
}

#[cfg(test)]
mod tests {
    use super::super::tests::two_lines;
    use super::*;

    const STRIP: u16 = 30000;

    fn is_parted(grounds: [u16; 2], lane: u16) -> bool {
        let (photo, lines) = two_lines(grounds, lane);
        are_parted(&photo, &lines[0], &lines[1])
    }

    #[test]
    fn one_ground_from_line_to_line_does_not_part_them() {
        assert!(!is_parted([STRIP; 2], STRIP));
        // A streak of grain, or soot.
        assert!(!is_parted([STRIP; 2], (0.8 * f64::from(STRIP)) as u16));
    }

    #[test]
    fn a_lane_of_other_ground_parts_them_dark_or_light() {
        assert!(is_parted([STRIP; 2], STRIP / 3));
        assert!(is_parted([STRIP; 2], 2 * STRIP));
    }

    #[test]
    fn two_grounds_part_them_without_a_lane() {
        assert!(is_parted([STRIP, STRIP / 2], STRIP));
    }
}
