//! Where the burned line starts and stops, at full resolution.

use crate::locate::Course;
use crate::locate::crossing::cross;
use crate::locate::refine::WidthGuide;
use crate::locate::trace::median;
use crate::photo::Photo;
use crate::stations::Station;

/// Strength of the line next to its edges, over that of its middle, below which it is thinner than it was.
const FLANKS_COUNT: f64 = 1.6;

/// One end of the visible line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineEnd {
    /// Outermost visible place along the course.
    pub along_px: f64,
    /// Where the beam's centre started or stopped, if the end is a datum.
    pub datum: Option<EndDatum>,
    /// True where the line runs out of the picture (or the area).
    pub leaves_picture: bool,
}

/// The beam's centre at an end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EndDatum {
    /// Along the course.
    pub along_px: f64,
    /// Standard uncertainty.
    pub u_px: f64,
}

/// Finds both ends (start, then end of the course) from the light along its middle.
///
/// `stations` were measured over the course and give kerf and strength next to each end.
pub fn find(photo: &Photo, course: &Course, guide: &WidthGuide, stations: &[Station]) -> [LineEnd; 2] {
    let look = |is_end| one_end(photo, course, guide, stations, is_end);
    rayon::join(|| look(false), || look(true)).into()
}

fn one_end(photo: &Photo, course: &Course, guide: &WidthGuide, stations: &[Station], is_end: bool) -> LineEnd {
    let outward = if is_end { 1.0 } else { -1.0 };
    let rough = if is_end { course.end_px } else { course.start_px };
    let length = course.end_px - course.start_px;
    let width = guide.at(rough);
    let usable: Vec<&Station> = stations.iter().filter(|s| s.used).collect();
    let kerf_near = |from: f64, to: f64| {
        let near: Vec<f64> = usable
            .iter()
            .filter(|s| {
                let inside = outward * (rough - s.along_px);
                inside >= from && inside <= to
            })
            .map(|s| s.kerf_px)
            .collect();
        (!near.is_empty()).then(|| median(near))
    };
    let local = kerf_near(0.0, (6.0 * width).max(0.04 * length)).unwrap_or(width);

    // Walk outwards from well inside; light is judged against the line's own strength next to the end.
    let inside_from = (3.0 * width).max(0.03 * length).min(0.3 * length);
    let step = 0.5;
    let limit = 0.12 * length + 6.0 * width + 40.0;
    let mut walk: Vec<(f64, [f64; 2])> = Vec::new();
    let mut leaves_picture = false;
    let mut along = rough - outward * inside_from;
    while outward * (along - rough) < limit {
        match cross(photo, course, along, local.min(width), width) {
            Some(light) => {
                walk.push((along, [light.strength(course.is_dark), light.flank_strength(course.is_dark)]));
            }
            None => {
                leaves_picture = true;
                break;
            }
        }
        along += outward * step;
    }
    if walk.is_empty() {
        return LineEnd { along_px: rough, datum: None, leaves_picture };
    }
    // Outwards, the places where the light has fallen to each of three shares of the line's own.
    let half = (0.12 * local / step).round() as usize;
    let persists = ((0.7 * local).max(4.0) / step) as usize;
    let crossings = |light: &dyn Fn(&[f64; 2]) -> f64| -> [Option<f64>; 3] {
        let smooth: Vec<f64> = (0..walk.len())
            .map(|i| {
                let window = &walk[i.saturating_sub(half)..(i + half + 1).min(walk.len())];
                window.iter().map(|w| light(&w.1)).sum::<f64>() / window.len() as f64
            })
            .collect();
        let inside = ((inside_from / step) as usize).min(walk.len()).max(1);
        let steady = median(smooth[..inside].to_vec());
        [0.8, 0.5, 0.25].map(|share| {
            let level = share * steady;
            let mut below = 0usize;
            for (i, value) in smooth.iter().enumerate() {
                below = if *value < level { below + 1 } else { 0 };
                if below > persists || (below > 0 && i + 1 == smooth.len() && !leaves_picture) {
                    let at = i + 1 - below;
                    let before = at.saturating_sub(1);
                    let rise = smooth[before] - smooth[at];
                    let part = if rise > 1e-9 { ((smooth[before] - level) / rise).clamp(0.0, 1.0) } else { 0.0 };
                    return Some(walk[before].0 + outward * step * part);
                }
            }
            None
        })
    };
    let fade_of = |[strong, _, gone]: [Option<f64>; 3]| {
        strong.zip(gone).map_or(f64::INFINITY, |(strong, gone)| outward * (gone - strong))
    };
    let longest_fade = |widest: f64| 2.0 * widest + 8.0;
    let mut found = crossings(&|light| light[0]);
    if fade_of(found) > longest_fade(local) {
        // A crack or a streak that runs on from the line's end is thinner than the line: its flanks end where it ends.
        let whole = crossings(&|light| light[0].min(FLANKS_COUNT * light[1]));
        if fade_of(whole) < longest_fade(local) {
            found = whole;
        }
    }
    let Some(outermost) = found[1] else {
        let last = walk[walk.len() - 1].0;
        return LineEnd { along_px: last, datum: None, leaves_picture: true };
    };

    // A true end is as short as the mark is wide; a fading one takes many widths from strong to gone.
    let side: Vec<f64> = usable
        .iter()
        .filter(|s| outward * (s.along_px - 0.5 * (course.start_px + course.end_px)) > 0.0)
        .map(|s| s.kerf_px)
        .collect();
    let widest = side.iter().copied().fold(0.0, f64::max).max(local);
    let fade = fade_of(found);
    let near = |from: f64, to: f64| {
        let kerfs: Vec<f64> = usable
            .iter()
            .filter(|s| {
                let inside = outward * (outermost - s.along_px);
                inside >= from && inside <= to
            })
            .map(|s| s.kerf_px)
            .collect();
        (!kerfs.is_empty()).then(|| median(kerfs))
    };
    let at_end = near(0.4 * widest, 1.6 * widest).unwrap_or(local);
    let further_in = near(2.0 * widest, 5.0 * widest + 0.02 * length).unwrap_or(at_end);
    let tapers = at_end < 0.6 * widest || fade > longest_fade(widest);
    let datum = if tapers {
        None
    } else if at_end < 0.985 * further_in {
        Some(EndDatum { along_px: outermost, u_px: 0.25 * widest })
    } else {
        Some(EndDatum { along_px: outermost - outward * 0.25 * at_end, u_px: at_end / 8.0 })
    };
    LineEnd { along_px: outermost, datum, leaves_picture: false }
}
