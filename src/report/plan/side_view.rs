//! Strip, prop, nozzle and gaps from the side, to scale.

use std::fmt::Write as _;

use super::set;
use crate::plan::Plan;
use crate::plan::ramp::Support;
use crate::report::rounding::{Units, fixed};

/// Width of the drawing on paper, mm.
const PAPER_MM: f64 = 184.0;
/// Room for labels at the sides, above and below, in paper mm.
const MARGIN_MM: [f64; 2] = [14.0, 6.0];
/// Height of strip and head, at most, so that the page stays one page.
const MOST_TALL_MM: f64 = 34.0;
/// Letters, in paper mm.
const LETTER_MM: f64 = 3.1;
/// How much of the nozzle is drawn above its tip, mm at the bench.
const NOZZLE_MM: f64 = 12.0;

/// Where things stand at the bench: x level from the strip's toe, y up from the bed, mm.
struct Bench {
    scale: f64,
    left: f64,
    bottom: f64,
}

impl Bench {
    fn to_paper(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.left + x * self.scale, self.bottom - y * self.scale]
    }
}

/// The side view as an SVG element.
pub fn svg(plan: &Plan, units: Units) -> String {
    let (request, ramp) = (&plan.request, &plan.ramp);
    let angle = ramp.angle();
    let [sin, cos] = [angle.sin(), angle.cos()];
    let thickness = request.strip_thickness_mm;
    // From along the strip and up from its underside to level and up from the bed.
    let on_strip = |along: f64, up: f64| [along * cos - up * sin, along * sin + up * cos];
    let datum = |share: f64| on_strip(ramp.low_margin_mm + share * ramp.span_mm, thickness);
    let [low, high] = [datum(0.0), datum(1.0)];
    let tip_height = low[1] + ramp.gap_low_mm;
    let [from_x, to_x] = [-thickness * sin, request.strip_length_mm * cos];
    let tall = (tip_height + NOZZLE_MM).max(request.strip_length_mm * sin + thickness);
    let scale = ((PAPER_MM - 2.0 * MARGIN_MM[0]) / (to_x - from_x)).min(MOST_TALL_MM / tall).min(1.0);
    let above = MARGIN_MM[1] + LETTER_MM;
    let below = 3.2 * LETTER_MM + MARGIN_MM[1];
    let height = tall * scale + above + below;
    let left = 0.5 * (PAPER_MM - (to_x - from_x) * scale) - from_x * scale;
    let bench = Bench { scale, left, bottom: height - below };
    let mut page = Page::new(PAPER_MM, height);

    page.line(bench.to_paper([from_x - 4.0, 0.0]), bench.to_paper([to_x + 4.0, 0.0]), "bed");
    let corners = [on_strip(0.0, 0.0), on_strip(request.strip_length_mm, 0.0)];
    let tops = [on_strip(request.strip_length_mm, thickness), on_strip(0.0, thickness)];
    page.shape(&[corners[0], corners[1], tops[0], tops[1]].map(|at| bench.to_paper(at)), "strip");
    support(&mut page, &bench, plan, units);
    for (place, gap, label) in [(low, ramp.gap_low_mm, "low end"), (high, ramp.gap_high_mm, "high end")] {
        nozzle(&mut page, &bench, plan, place[0], tip_height);
        let [top, bottom] = [bench.to_paper([place[0], tip_height]), bench.to_paper(place)];
        page.line(top, bottom, "gap");
        // Towards the middle of the strip, where nothing else is: beside the low gap, beside the high nozzle.
        let (at, anchor) = if label == "low end" {
            ([top[0] + 1.5, top[1] + 1.1 * LETTER_MM], "start")
        } else {
            let aside = (0.5 * request.tip_diameter_mm + 0.45 * NOZZLE_MM) * scale + 1.0;
            ([top[0] - aside, top[1] - 0.3 * NOZZLE_MM * scale], "end")
        };
        page.text(at, anchor, &format!("gap {} over the {label}", set(gap, units)));
    }
    // Head travel, above the nozzles.
    let travel_y = MARGIN_MM[1] + 0.4 * LETTER_MM;
    let [a, b] = [bench.to_paper(low)[0], bench.to_paper(high)[0]];
    page.line([a, travel_y], [b, travel_y], "measure");
    page.arrow([b, travel_y]);
    page.text([0.5 * (a + b), travel_y - 0.8], "middle", &format!("head travel {}", set(ramp.travel_mm, units)));
    let toe = bench.to_paper([0.0, 0.0]);
    page.text([toe[0] - 2.0, toe[1] - 1.2], "end", "LOW");
    let told = match scale {
        1.0 => "drawn full size when printed at 100 %".to_owned(),
        _ => format!("drawn to scale 1 : {} when printed at 100 %", fixed(1.0 / scale, 2)),
    };
    page.text([PAPER_MM - 1.5, height - 1.5], "end", &told);
    page.finish()
}

fn support(page: &mut Page, bench: &Bench, plan: &Plan, units: Units) {
    let ramp = &plan.ramp;
    match &ramp.support {
        Support::Prop { prop_mm, prop_at_mm } => {
            let far = prop_at_mm + (0.6 * prop_mm).max(8.0);
            let corners = [[*prop_at_mm, 0.0], [far, 0.0], [far, *prop_mm], [*prop_at_mm, *prop_mm]];
            page.shape(&corners.map(|at| bench.to_paper(at)), "prop");
            let [x, y] = bench.to_paper([far, 0.5 * prop_mm]);
            page.text([x + 1.0, y + 0.35 * LETTER_MM], "start", &set(*prop_mm, units));
            let toe = bench.to_paper([0.0, 0.0]);
            let near = bench.to_paper([*prop_at_mm, 0.0]);
            let below = toe[1] + 1.5 * LETTER_MM;
            page.line([toe[0], below], [near[0], below], "measure");
            page.line([toe[0], toe[1]], [toe[0], below + 1.0], "measure");
            page.line([near[0], near[1]], [near[0], below + 1.0], "measure");
            let told = format!("{} level, toe to the prop's near edge", set(*prop_at_mm, units));
            page.text([0.5 * (toe[0] + near[0]), below + 1.15 * LETTER_MM], "middle", &told);
        }
        Support::RampFile { .. } => {
            let length = plan.request.strip_length_mm;
            let angle = ramp.angle();
            let high = [length * angle.cos(), length * angle.sin()];
            page.shape(&[[0.0, 0.0], [high[0], 0.0], high].map(|at| bench.to_paper(at)), "prop");
        }
    }
}

fn nozzle(page: &mut Page, bench: &Bench, plan: &Plan, x: f64, tip_height: f64) {
    let half = (0.5 * plan.request.tip_diameter_mm).max(0.5);
    let wide = half + 0.45 * NOZZLE_MM;
    let top = tip_height + NOZZLE_MM;
    let corners = [[x - half, tip_height], [x + half, tip_height], [x + wide, top], [x - wide, top]];
    page.shape(&corners.map(|at| bench.to_paper(at)), "nozzle");
    let below = plan.request.below_nozzle_mm;
    if below > 0.0 {
        let corners = [[half, 0.0], [half + 1.5, 0.0], [half + 1.5, -below], [half, -below]];
        page.shape(&corners.map(|[dx, dy]| bench.to_paper([x + dx, tip_height + dy])), "nozzle");
    }
}

struct Page(String);

impl Page {
    fn new(width: f64, height: f64) -> Self {
        Self(format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"side view to scale\" \
             viewBox=\"0 0 {width:.2} {height:.2}\" style=\"width:{width:.2}mm\" font-size=\"{LETTER_MM}\" \
             font-family=\"'DejaVu Sans', Verdana, sans-serif\">\n\
             <style>.bed{{stroke:#000;stroke-width:.5}}.strip{{fill:#ddd;stroke:#000;stroke-width:.25}}\
             .prop{{fill:#fff;stroke:#000;stroke-width:.25}}.nozzle{{fill:#fff;fill-opacity:.7;stroke:#000;stroke-width:.25}}\
             .gap{{stroke:#000;stroke-width:.35;stroke-dasharray:1 .7}}.measure{{stroke:#000;stroke-width:.18}}</style>\n"
        ))
    }

    fn line(&mut self, [x1, y1]: [f64; 2], [x2, y2]: [f64; 2], class: &str) {
        let _ =
            writeln!(self.0, "<line class=\"{class}\" x1=\"{x1:.2}\" y1=\"{y1:.2}\" x2=\"{x2:.2}\" y2=\"{y2:.2}\"/>");
    }

    fn shape(&mut self, corners: &[[f64; 2]], class: &str) {
        let points: Vec<String> = corners.iter().map(|[x, y]| format!("{x:.2},{y:.2}")).collect();
        let _ = writeln!(self.0, "<polygon class=\"{class}\" points=\"{}\"/>", points.join(" "));
    }

    fn arrow(&mut self, [x, y]: [f64; 2]) {
        let _ = writeln!(
            self.0,
            "<polygon points=\"{:.2},{:.2} {x:.2},{y:.2} {:.2},{:.2}\"/>",
            x - 2.0,
            y - 0.7,
            x - 2.0,
            y + 0.7
        );
    }

    fn text(&mut self, [x, y]: [f64; 2], anchor: &str, text: &str) {
        let _ = writeln!(self.0, "<text x=\"{x:.2}\" y=\"{y:.2}\" text-anchor=\"{anchor}\">{text}</text>");
    }

    fn finish(mut self) -> String {
        self.0.push_str("</svg>\n");
        self.0
    }
}
