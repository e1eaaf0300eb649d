//! What the line is like as a whole, and which stations its ends spoil.

use nalgebra::{Complex, Matrix3, Vector3};

use super::measure::PLAINLY_BLURRED_PX;
use super::{LeftOut, LineQuality, Station};
use crate::locate::refine::{median_filter, smooth};
use crate::locate::trace::median;
use crate::locate::{Course, Tie};

/// Stations closer to an end than this many local kerfs are left out: the fluence there has not settled.
const END_KERFS: f64 = 1.0;
/// Share of the places that are finer than what counts as fine, and that width over the blur below which it says nothing.
const FINE_SHARE: f64 = 0.1;
const DROWNED: f64 = 2.5;
/// Share of the places next to an end of which most are too pale where the line has faded there.
const FADED_END: f64 = 0.12;
/// Contrast next to an end over the line's own below which it has faded before it ends; where a beam stopped rendered lines have 0.78
/// and more.
pub const PALED: f64 = 0.65;
/// Peak of the periodogram over its mean from which a wander is called periodic. For white noise and a few hundred
/// stations the highest of the peaks exceeds this about once in a thousand lines (exponential distribution of power).
const PERIODIC: f64 = 13.0;

/// Leaves out the stations at and beyond the visible ends.
pub fn leave_out_ends(stations: &mut [Station], extent_px: [f64; 2]) {
    for (outward, end_px) in [-1.0, 1.0].into_iter().zip(extent_px) {
        let inside = |s: &Station| outward * (end_px - s.along_px);
        let mut near: Vec<(f64, f64)> =
            stations.iter().filter(|s| s.used && inside(s) > 0.0).map(|s| (inside(s), s.kerf_px)).collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        let kerf = median(near.iter().take(12).map(|n| n.1).collect());
        for station in stations.iter_mut() {
            if inside(station) < END_KERFS * kerf + 1.0 && (station.used || inside(station) < 0.0) {
                station.used = false;
                station.left_out = Some(LeftOut::NearEnd);
            }
        }
    }
}

/// Straightness, raggedness, contrast and blur, in px; the scale comes later with [`with_scale`].
pub fn quality(course: &Course, stations: &[Station], blur_px: f64) -> LineQuality {
    let used: Vec<&Station> = stations.iter().filter(|s| s.used).collect();
    let reach = (used.len() / 16).max(3);
    let wander = |values: Vec<f64>| -> f64 {
        let course = smooth(&median_filter(&values, reach), reach);
        let squares: f64 = values.iter().zip(course).map(|(v, c)| (v - c).powi(2)).sum();
        (squares / values.len().max(1) as f64).sqrt()
    };
    let centres = about_parabola(&used.iter().map(|s| [s.along_px, s.centre_px]).collect::<Vec<_>>());
    let halves: Vec<f64> = used.iter().map(|s| 0.5 * s.kerf_px).collect();
    LineQuality {
        straightness_px: wander(centres),
        straightness_mm: None,
        raggedness_px: wander(halves),
        raggedness_mm: None,
        period_mm: None,
        blur_px,
        contrast: median(used.iter().map(|s| s.contrast).collect()),
        soot_side: None,
        is_dark: course.is_dark,
    }
}

/// The line's finer widths, where the picture is plainly blurred and they are hardly wider than its blur.
pub fn drowned_in_blur(stations: &[Station], blur_px: f64) -> Option<f64> {
    let mut kerfs: Vec<f64> = stations.iter().filter(|s| s.used).map(|s| s.kerf_px).collect();
    kerfs.sort_by(f64::total_cmp);
    let fine = *kerfs.get((FINE_SHARE * kerfs.len() as f64) as usize)?;
    (blur_px > PLAINLY_BLURRED_PX && fine < DROWNED * blur_px).then_some(fine)
}

/// Adds what needs the tie: millimetres, the wander's period, the soot's side as seen from low to high.
///
/// `side_log_ratio`: mean ln of the light next to the line on the negative (right) side of the course's direction over
/// that on the positive (left) side.
pub fn with_scale(mut line: LineQuality, stations: &[Station], tie: &Tie, side_log_ratio: f64) -> LineQuality {
    let used: Vec<&Station> = stations.iter().filter(|s| s.used).collect();
    if used.is_empty() {
        return line;
    }
    let scale = median(used.iter().map(|s| tie.mm_per_px(s.along_px)).collect());
    line.straightness_mm = Some(line.straightness_px * scale);
    line.raggedness_mm = Some(line.raggedness_px * scale);
    let rows: Vec<[f64; 2]> = used.iter().filter_map(|s| Some([s.position_mm?, s.centre_px])).collect();
    line.period_mm = period(&rows);
    // Darker on the right by 10 % or more: soot lies there.
    let darker_right = -side_log_ratio;
    if darker_right.abs() > 0.10 {
        let is_right = (darker_right > 0.0) == tie.is_rising();
        line.soot_side = Some(if is_right { "right" } else { "left" });
    }
    line
}

/// The end next to which most places are too pale to count, the low one or not: the beam stopped somewhere beyond it, perhaps.
///
/// A light line that is hardly paler there, beside grounds as dark as before, may be too pale for the fits, and its end is one all the
/// same.
pub fn faded_end(stations: &[Station]) -> Option<bool> {
    let usual = median(stations.iter().filter(|s| s.used).map(|s| s.contrast).collect());
    let mut rows: Vec<(f64, bool)> = stations
        .iter()
        .filter(|s| s.left_out != Some(LeftOut::NearEnd))
        .filter_map(|s| Some((s.position_mm?, s.left_out == Some(LeftOut::Faint) && s.contrast < PALED * usual)))
        .collect();
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let outermost = (FADED_END * rows.len() as f64) as usize;
    let is_faded = |part: &[(f64, bool)]| 2 * part.iter().filter(|row| row.1).count() > part.len();
    if is_faded(&rows[..outermost]) {
        Some(true)
    } else if is_faded(&rows[rows.len() - outermost..]) {
        Some(false)
    } else {
        None
    }
}

/// A parabola of offsets over places along the line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Parabola {
    /// First and last place, which become -1 and 1.
    between: [f64; 2],
    curve: Vector3<f64>,
}

impl Parabola {
    /// Of least squares through places (first) with offsets (second); `None` with fewer than three places.
    pub(super) fn through(rows: &[[f64; 2]]) -> Option<Self> {
        let ([first, _], [last, _]) = rows.first().zip(rows.last())?;
        let mut parabola = Self { between: [*first, *last], curve: Vector3::zeros() };
        let mut normal = Matrix3::zeros();
        let mut sum = Vector3::zeros();
        for [place, offset] in rows {
            let row = parabola.basis(*place);
            normal += row * row.transpose();
            sum += row * *offset;
        }
        parabola.curve = normal.cholesky()?.solve(&sum);
        Some(parabola)
    }

    fn basis(&self, place: f64) -> Vector3<f64> {
        let [first, last] = self.between;
        let x = (2.0 * place - first - last) / (last - first);
        Vector3::new(1.0, x, x * x)
    }

    pub(super) fn at(&self, place: f64) -> f64 {
        self.basis(place).dot(&self.curve)
    }
}

/// What is left of the offsets (second) over the places (first) about their parabola of least squares: how the axis happens to
/// lie, and the bow of lens and paper, is no wander. Running means alone leave a slope standing at both ends.
fn about_parabola(rows: &[[f64; 2]]) -> Vec<f64> {
    let parabola = Parabola::through(rows);
    rows.iter().map(|[place, offset]| offset - parabola.map_or(0.0, |parabola| parabola.at(*place))).collect()
}

/// Fewest cycles along the line of a wander that has a period.
const LEAST_CYCLES: usize = 6;

/// Period in mm of a sinusoidal wander that stands out from the rest; rows of position (mm) and offset.
///
/// Periodogram at the frequencies of the line's length; the slow bow of lens and paper is taken out first.
pub fn period(rows: &[[f64; 2]]) -> Option<f64> {
    let n = rows.len();
    if n < 60 {
        return None;
    }
    let offsets = about_parabola(rows);
    let slow = smooth(&smooth(&offsets, n / 8), n / 8);
    let rest: Vec<f64> = offsets.iter().zip(slow).map(|(o, s)| o - s).collect();
    let [first, last] = [rows[0][0], rows[n - 1][0]];
    let length = (last - first).abs();
    let turned = |cycles: f64| -> Vec<Complex<f64>> {
        rows.iter().map(|row| Complex::cis(std::f64::consts::TAU * cycles * (row[0] - first) / length)).collect()
    };
    let power_of =
        |turned: &[Complex<f64>]| rest.iter().zip(turned).map(|(v, t)| t * v).sum::<Complex<f64>>().norm_sqr();
    let power = |cycles: f64| power_of(&turned(cycles));
    let highest = n / 4;
    // From one whole number of cycles to the next each place turns by as much again.
    let once = turned(1.0);
    let mut now = turned(LEAST_CYCLES as f64);
    let powers: Vec<f64> = (LEAST_CYCLES..highest)
        .map(|_| {
            let power = power_of(&now);
            now.iter_mut().zip(&once).for_each(|(now, once)| *now *= once);
            power
        })
        .collect();
    let (at, peak) = powers.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    let mean = powers.iter().sum::<f64>() / powers.len() as f64;
    if *peak < PERIODIC * mean {
        return None;
    }
    // The peak between the grid's frequencies.
    let cycles = (at + LEAST_CYCLES) as f64;
    let fine = (-10..=10).map(|k| cycles + f64::from(k) * 0.05).max_by(|a, b| power(*a).total_cmp(&power(*b)))?;
    Some(length / fine)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_end_next_to_which_most_places_are_too_pale_has_faded() {
        let place = |number: i32, left_out: Option<LeftOut>, faint: f64| Station {
            position_mm: Some(0.3 * f64::from(number)),
            contrast: if left_out == Some(LeftOut::Faint) { faint } else { 0.9 },
            used: left_out.is_none(),
            left_out,
            ..Station::clean(f64::from(number), 8.0)
        };
        let line = |low: Option<LeftOut>, high: Option<LeftOut>, faint: f64| -> Vec<Station> {
            (0..200)
                .map(|number| match number {
                    0..20 => place(number, low, faint),
                    180..200 => place(number, high, faint),
                    _ => place(number, None, faint),
                })
                .collect()
        };
        assert_eq!(faded_end(&line(Some(LeftOut::Faint), None, 0.5)), Some(true));
        assert_eq!(faded_end(&line(None, Some(LeftOut::Faint), 0.5)), Some(false));
        assert_eq!(faded_end(&line(None, Some(LeftOut::Faint), 0.8)), None, "too pale for the fits alone");
        assert_eq!(faded_end(&line(Some(LeftOut::Outlier), Some(LeftOut::Disturbed), 0.5)), None);
        assert_eq!(faded_end(&line(None, None, 0.5)), None);
        assert_eq!(faded_end(&[]), None);
    }

    /// Widths of 4 to 12 px say nothing behind a blur of 4 px, and everything behind one of 1 px or of 1.7 px.
    #[test]
    fn only_a_plain_blur_drowns_a_line() {
        let stations: Vec<Station> = (0..81).map(|i| Station::clean(0.0, 4.0 + 0.1 * f64::from(i))).collect();
        assert!((drowned_in_blur(&stations, 4.0).unwrap() - 4.8).abs() < 1e-9);
        assert_eq!(drowned_in_blur(&stations, 1.0), None);
        assert_eq!(drowned_in_blur(&stations, 1.7), None);
        assert_eq!(drowned_in_blur(&[], 4.0), None);
    }

    /// A sine of 0.3 on an axis that lies askew, and on a bow: its root mean square, wherever the axis lies.
    #[test]
    fn wander_is_the_lines_and_not_the_axis_s() {
        let rows = |slope: f64, bow: f64| -> Vec<[f64; 2]> {
            (0..400)
                .map(|i| {
                    let x = f64::from(i);
                    [x, 0.3 * (x * std::f64::consts::TAU / 20.0).sin() + slope * x + bow * x * x]
                })
                .collect()
        };
        for (slope, bow) in [(0.0, 0.0), (0.02, 0.0), (-0.05, 1e-4)] {
            let left = about_parabola(&rows(slope, bow));
            let rms = (left.iter().map(|v| v * v).sum::<f64>() / left.len() as f64).sqrt();
            assert!((rms - 0.3 / 2f64.sqrt()).abs() < 0.003, "{slope} {bow}: {rms}");
            assert!((period(&rows(slope, bow)).unwrap() - 20.0).abs() < 0.1);
        }
    }
}
