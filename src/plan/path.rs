//! Drawings of plain strokes, true to size, as SVG and as DXF.
//!
//! Nothing in either says how to burn: one black stroke width in the SVG, layer 0 and no colour in the DXF.

use std::fmt::Write as _;

/// Width of every stroke in an SVG, mm.
pub const STROKE_MM: f64 = 0.2;

/// Strokes on a page. Millimetres from the page's top left corner, x to the right and y down.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// Width and height of the page.
    pub size_mm: [f64; 2],
    /// The strokes.
    pub strokes: Vec<Stroke>,
}

/// A stroke through points.
#[derive(Debug, Clone, PartialEq)]
pub struct Stroke {
    /// Its corners.
    pub points: Vec<[f64; 2]>,
    /// True where it returns to its first point.
    pub is_closed: bool,
}

impl Stroke {
    /// An open stroke.
    pub fn open(points: impl Into<Vec<[f64; 2]>>) -> Self {
        Self { points: points.into(), is_closed: false }
    }

    /// A closed one.
    pub fn closed(points: impl Into<Vec<[f64; 2]>>) -> Self {
        Self { points: points.into(), is_closed: true }
    }
}

impl Drawing {
    /// The drawing as SVG, its user unit one millimetre.
    pub fn svg(&self) -> String {
        let [width, height] = self.size_mm.map(number);
        let mut text = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
             viewBox=\"0 0 {width} {height}\">\n<g fill=\"none\" stroke=\"#000000\" stroke-width=\"{STROKE_MM}\">\n"
        );
        for stroke in &self.strokes {
            text.push_str("<path d=\"");
            for (index, [x, y]) in stroke.points.iter().enumerate() {
                let command = if index == 0 { "M" } else { " L" };
                let _ = write!(text, "{command}{} {}", number(*x), number(*y));
            }
            text.push_str(if stroke.is_closed { " Z\"/>\n" } else { "\"/>\n" });
        }
        text.push_str("</g>\n</svg>\n");
        text
    }

    /// The drawing as DXF: the R12 subset that every reader takes, millimetres, origin at the page's bottom left corner.
    pub fn dxf(&self) -> String {
        let mut file = Tags(String::new());
        let [width, height] = self.size_mm;
        file.text(999, "lengths are millimetres");
        file.text(0, "SECTION");
        file.text(2, "HEADER");
        file.text(9, "$ACADVER");
        file.text(1, "AC1009");
        file.text(9, "$EXTMIN");
        file.point([0.0, 0.0]);
        file.text(9, "$EXTMAX");
        file.point([width, height]);
        file.text(0, "ENDSEC");
        file.text(0, "SECTION");
        file.text(2, "ENTITIES");
        let upright = |[x, y]: [f64; 2]| [x, height - y];
        for stroke in &self.strokes {
            if let ([from, to], false) = (stroke.points.as_slice(), stroke.is_closed) {
                file.text(0, "LINE");
                file.text(8, "0");
                file.point(upright(*from));
                let [x, y] = upright(*to);
                for (code, value) in [(11, x), (21, y), (31, 0.0)] {
                    file.text(code, &number(value));
                }
                continue;
            }
            file.text(0, "POLYLINE");
            file.text(8, "0");
            file.text(66, "1");
            file.point([0.0, 0.0]);
            file.text(70, if stroke.is_closed { "1" } else { "0" });
            for point in &stroke.points {
                file.text(0, "VERTEX");
                file.text(8, "0");
                file.point(upright(*point));
            }
            file.text(0, "SEQEND");
            file.text(8, "0");
        }
        file.text(0, "ENDSEC");
        file.text(0, "EOF");
        file.0
    }
}

/// Pairs of a code and a value, each on a line of its own.
struct Tags(String);

impl Tags {
    fn text(&mut self, code: u32, value: &str) {
        let _ = writeln!(self.0, "{code:>3}\n{value}");
    }

    fn point(&mut self, [x, y]: [f64; 2]) {
        for (code, value) in [(10, x), (20, y), (30, 0.0)] {
            self.text(code, &number(value));
        }
    }
}

/// A tenth of a micrometre is more than any machine keeps.
fn number(value: f64) -> String {
    let text = crate::report::rounding::fixed(value, 4);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The outline that leaves a part of the drawn size when the beam takes away `kerf_mm`: every edge of a closed contour moved
/// outwards by half of it, so that sides come out true and notches narrow enough. Corners keep their angle.
pub fn grown(contour: &[[f64; 2]], by_mm: f64) -> Vec<[f64; 2]> {
    let count = contour.len();
    // Twice the area, positive where the corners run clockwise as seen with y down.
    let area: f64 = (0..count)
        .map(|i| {
            let [[x0, y0], [x1, y1]] = [contour[i], contour[(i + 1) % count]];
            x0 * y1 - x1 * y0
        })
        .sum();
    let outward = if area > 0.0 { by_mm } else { -by_mm };
    let moved_edge = |i: usize| {
        let [[x0, y0], [x1, y1]] = [contour[i], contour[(i + 1) % count]];
        let [dx, dy] = [x1 - x0, y1 - y0];
        let length = dx.hypot(dy);
        let [nx, ny] = [dy / length * outward, -dx / length * outward];
        ([x0 + nx, y0 + ny], [dx / length, dy / length])
    };
    (0..count)
        .map(|i| {
            let ([ax, ay], [adx, ady]) = moved_edge((i + count - 1) % count);
            let ([bx, by], [bdx, bdy]) = moved_edge(i);
            let cross = adx * bdy - ady * bdx;
            if cross.abs() < 1e-9 {
                return [bx, by];
            }
            let along = ((bx - ax) * bdy - (by - ay) * bdx) / cross;
            [ax + along * adx, ay + along * ady]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grown_square_is_larger_all_round_whichever_way_it_runs() {
        let square = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];
        let mut reversed = square;
        reversed.reverse();
        for contour in [square, reversed] {
            for ([x, y], [gx, gy]) in contour.iter().zip(grown(&contour, 0.1)) {
                assert!((gx - (x + (x - 5.0).signum() * 0.1)).abs() < 1e-12, "{x} {gx}");
                assert!((gy - (y + (y - 5.0).signum() * 0.1)).abs() < 1e-12, "{y} {gy}");
            }
        }
    }

    #[test]
    fn a_notch_grows_narrower() {
        let notched =
            [[0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [6.0, 3.0], [6.0, 0.0], [10.0, 0.0], [10.0, 8.0], [0.0, 8.0]];
        let grown = grown(&notched, 0.1);
        assert!((grown[3][0] - grown[2][0] - 1.8).abs() < 1e-12);
        assert!((grown[2][1] - 2.9).abs() < 1e-12);
    }

    #[test]
    fn numbers_are_short_and_never_negative_zero() {
        assert_eq!(number(-0.00001), "0");
        assert_eq!(number(12.5), "12.5");
        assert_eq!(number(100.0), "100");
    }
}
