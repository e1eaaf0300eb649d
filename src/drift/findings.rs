//! What to check first: the newest strip against the first ones burned alike since tube and mirrors were touched.

use serde::Serialize;

use super::parts;
use super::series::{Point, Readings};
use super::verdict::{TOLD, Trend, Verdict};
use crate::cautions::CautionCode;
use crate::logbook::RecordId;
use crate::logbook::SootSide;
use crate::logbook::baseline::burned_alike;

/// Kinds of trouble, in the order in which they are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FindingCode {
    /// The focus moved or creeps.
    FocusMoved,
    /// The line is wider at its finest.
    SpotWider,
    /// The line fades sooner or is paler.
    BurnWeaker,
    /// The line wanders sideways.
    LineShaky,
    /// The two sides of the waist differ, or soot lies to one side.
    SidesUnequal,
    /// Nothing was burned alike before.
    NotComparable,
}

/// A number of the newest strip beside what it used to be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evidence {
    /// What it is, with its unit.
    pub quantity: &'static str,
    /// In the newest strip.
    pub now: f64,
    /// Median of those it is compared with; `None` where it speaks for itself.
    pub before: Option<f64>,
}

/// One thing to look into.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Which.
    pub code: FindingCode,
    /// What was seen, in bench words with its numbers.
    pub message: String,
    /// The numbers.
    pub evidence: Vec<Evidence>,
    /// What to look at, in this order.
    pub look_at: Vec<String>,
    /// What holds before anybody looks inside; `None` where the advice stays outside.
    pub before_looking: Option<&'static str>,
}

/// What every advice to look inside says.
pub const BEFORE_LOOKING: &str = "Machine off and isolated before you look inside. Let solvent dry before firing. A \
    cracked zinc selenide lens is poisonous: do not touch it, follow its safety sheet. The lens maker's note says which \
    side faces the beam.";

/// So many of the first strips burned alike are what a newer one is compared with.
const REFERENCE: usize = 8;
/// A change counts from so many times the usual scatter on.
const TIMES: f64 = 3.0;
/// Fewer strips than this do not tell their own scatter.
const LEAST_FOR_SCATTER: usize = 4;
/// Then it is taken for so many times what is usual: lenses and materials differ.
const UNTOLD: f64 = 2.0;

/// Usual scatter between strips burned alike, where the strips at hand do not tell it, and the least it is taken for:
/// of ln of the finest width, of ln of the reach, of the contrast, of ln of the overdrive, of ln of the sideways wander, of the
/// log ratio of the two sides. Found on rendered strips (`cargo bench --bench drift -- --trouble`).
const USUAL: Usual = Usual { kerf: 0.04, reach: 0.06, contrast: 0.04, overdrive: 0.35, wander: 0.25, sides: 0.06 };

struct Usual {
    kerf: f64,
    reach: f64,
    contrast: f64,
    overdrive: f64,
    wander: f64,
    sides: f64,
}

/// The newest strip's number beside the earlier ones'.
struct Beside {
    now: f64,
    before: f64,
    /// Distance in usual scatters: positive where it is more than before.
    strength: f64,
}

/// What to check first. `trend` is that of the stretch that is going on.
pub fn findings(readings: &Readings, verdict: &Verdict, trend: Option<&Trend>) -> Vec<Finding> {
    let mut found = Vec::new();
    found.extend(focus(readings, verdict, trend));
    if let Some(newest) = readings.points.last() {
        let reference = reference(readings, newest);
        if reference.is_empty() {
            found.extend(not_comparable(readings, newest));
        }
        let wider = spot(newest, &reference);
        let is_wider = wider.is_some();
        found.extend(wider);
        found.extend(burn(newest, &reference, is_wider));
        found.extend(wander(newest, &reference));
        found.extend(sides(newest, &reference));
    }
    found.sort_by_key(|finding| finding.code);
    found
}

/// Digits without a unit.
fn fixed(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}")
}

/// Number of strips that the newest one is compared with, and the newest one's number.
pub fn compared(readings: &Readings) -> Option<(RecordId, usize)> {
    let newest = readings.points.last()?;
    Some((newest.id, reference(readings, newest).len()))
}

/// The first strips burned as this one, since tube and mirrors were last touched.
fn reference<'a>(readings: &'a Readings, newest: &Point) -> Vec<&'a Point> {
    let anew =
        readings.events.iter().filter(|e| e.kind.starts_line() && e.at() <= newest.when.at).map(|e| e.at()).max();
    let earlier = &readings.points[..readings.points.len() - 1];
    earlier
        .iter()
        .filter(|p| anew.is_none_or(|anew| p.when.at >= anew))
        .filter(|p| burned_alike(&p.burn, &newest.burn))
        .take(REFERENCE)
        .collect()
}

fn finding(code: FindingCode, message: String, evidence: Vec<Evidence>, look_at: &[&str]) -> Finding {
    let look_at = look_at.iter().map(|text| (*text).to_owned()).collect();
    Finding { code, message, evidence, look_at, before_looking: Some(BEFORE_LOOKING) }
}

fn focus(readings: &Readings, verdict: &Verdict, trend: Option<&Trend>) -> Option<Finding> {
    let newest = readings.points.iter().rev().find_map(|p| p.spacer)?;
    let (message, by) = match verdict {
        Verdict::Moved(moved) => {
            let by = moved.change.value;
            let message = format!(
                "the block that fits became {} mm {}, give or take {} mm",
                fixed(by.abs(), 2),
                if by > 0.0 { "thicker" } else { "thinner" },
                fixed(moved.change.half_width(TOLD), 2)
            );
            (message, by)
        }
        Verdict::Drifting(_) => {
            let points = readings.with_spacer(readings.current());
            let line = trend?.course.line;
            let [first, last] = [points.first()?, points.last()?].map(|p| line.at(p.days));
            let message = format!(
                "the block that fits creeps: along the trend from {} mm to {} mm",
                fixed(first, 2),
                fixed(last, 2)
            );
            (message, last - first)
        }
        Verdict::Steady | Verdict::TooFew { .. } => return None,
    };
    let evidence = vec![Evidence { quantity: "spacer_mm", now: newest.value, before: Some(newest.value - by) }];
    Some(finding(
        FindingCode::FocusMoved,
        message,
        evidence,
        &[
            "the block itself: its thickness, and where it is gauged from",
            "the lens: does it sit flat in its seat, and is the retaining ring tight",
            "the mark on the lens tube or head: has it slipped",
        ],
    ))
}

fn spot(newest: &Point, reference: &[&Point]) -> Option<Finding> {
    let kerf = |p: &Point| p.kerf.map(|kerf| kerf.value).filter(|kerf| *kerf > 0.0);
    let own = newest.kerf.map_or(0.0, |kerf| kerf.standard_uncertainty / kerf.value);
    let width = beside(newest, reference, kerf, f64::ln, USUAL.kerf, own)?;
    if width.strength < TIMES {
        return None;
    }
    let message = format!(
        "the line is {} mm wide at its finest and was {} mm: {} % wider at the same settings",
        fixed(width.now, 3),
        fixed(width.before, 3),
        fixed(100.0 * (width.now / width.before - 1.0), 0)
    );
    Some(finding(
        FindingCode::SpotWider,
        message,
        vec![Evidence { quantity: "kerf_mm", now: width.now, before: Some(width.before) }],
        &[
            "the lens: is it the right way up, tight, clean, free of cracks and clouding",
            "the nozzle: does the beam leave through the middle of the hole, or does it clip the rim",
            "the strip and its picture: was it flat, and is the picture sharp",
        ],
    ))
}

/// Fading sooner counts on its own; paler or less overdrive counts where the other is not better.
fn burn(newest: &Point, reference: &[&Point], is_wider: bool) -> Option<Finding> {
    let line = |p: &Point| p.line.clone();
    let contrast = beside(newest, reference, |p| Some(line(p)?.contrast), |x| x, USUAL.contrast, 0.0);
    let overdrive = beside(newest, reference, |p| line(p)?.overdrive, f64::ln, USUAL.overdrive, 0.0);
    let reach = [0, 1].map(|side| beside(newest, reference, |p| Some(p.reach?[side]), f64::ln, USUAL.reach, 0.0));
    // A focus that moved along the ramp takes from one side what it gives to the other: both have to be shorter, and the
    // one that is told has to have faded and not to have been switched off.
    let are_both = reach.iter().all(|side| side.as_ref().is_some_and(|side| side.strength <= -0.5 * TIMES));
    let shorter = reach
        .into_iter()
        .zip(["below", "above"])
        .zip(newest.is_reach_cut)
        .filter_map(|((reach, word), is_cut)| Some((reach.filter(|_| !is_cut)?, word)))
        .filter(|(reach, _)| are_both && reach.strength <= -TIMES)
        .min_by(|a, b| a.0.strength.total_cmp(&b.0.strength));
    let paler = contrast.filter(|c| c.strength <= -TIMES);
    let weaker = overdrive.filter(|o| o.strength <= -TIMES);
    let mut said = Vec::new();
    let mut evidence = Vec::new();
    if let Some((reach, word)) = &shorter {
        said.push(format!(
            "the line is seen to {} mm {word} the focus, and was to {} mm",
            fixed(reach.now, 1),
            fixed(reach.before, 1)
        ));
        evidence.push(Evidence { quantity: "reach_mm", now: reach.now, before: Some(reach.before) });
    }
    if let Some(paler) = &paler {
        said.push(format!(
            "it is paler (contrast {} %, was {} %)",
            fixed(100.0 * paler.now, 0),
            fixed(100.0 * paler.before, 0)
        ));
        evidence.push(Evidence { quantity: "contrast", now: paler.now, before: Some(paler.before) });
    }
    if let Some(weaker) = &weaker {
        said.push(format!(
            "the beam marks with {} times the least it takes, and did with {}",
            fixed(weaker.now, 1),
            fixed(weaker.before, 1)
        ));
        evidence.push(Evidence { quantity: "overdrive", now: weaker.now, before: Some(weaker.before) });
    }
    // A wider spot spreads the same power: that it is weaker in its middle is no trouble of its own.
    let is_told = if is_wider { shorter.is_some() && paler.is_some() } else { !said.is_empty() };
    if !is_told {
        return None;
    }
    Some(finding(
        FindingCode::BurnWeaker,
        format!("at the same settings {}", said.join("; ")),
        evidence,
        &[
            "mirrors and lens: dust, film or a burned spot; clean them as their maker says",
            "alignment: does the beam meet the middle of each mirror and of the lens, near and far",
            "the tube: its age and current, and the coolant's temperature and flow",
        ],
    ))
}

fn wander(newest: &Point, reference: &[&Point]) -> Option<Finding> {
    let line = newest.line.as_ref()?;
    let now = line.straightness_mm?;
    let of = |p: &Point| p.line.as_ref()?.straightness_mm.filter(|wander| *wander > 0.0);
    let compared = beside(newest, reference, of, f64::ln, USUAL.wander, 0.0);
    let period = line.period_mm.map(|period| period * newest.level_share);
    let is_new_period =
        period.is_some() && !reference.iter().any(|p| p.line.as_ref().is_some_and(|l| l.period_mm.is_some()));
    let is_more = match &compared {
        // A period that was not there before needs less of a wander to be believed.
        Some(c) => c.strength >= TIMES || (is_new_period && c.strength >= 1.0),
        None => newest.cautions.contains(&CautionCode::LineShaky),
    };
    if !is_more {
        return None;
    }
    let mut message = format!("the line wanders sideways by {} mm", fixed(now, 3));
    if let Some(compared) = &compared {
        message.push_str(&format!(", and did by {} mm", fixed(compared.before, 3)));
    }
    let mut evidence = vec![Evidence { quantity: "straightness_mm", now, before: compared.as_ref().map(|c| c.before) }];
    let mut look_at = vec![
        "mirrors and lens holder: is anything loose".to_owned(),
        "belt: is it tight, and are all its teeth whole".to_owned(),
        "pulleys and wheels: do they run round, and are they clean".to_owned(),
    ];
    if let Some(period) = period {
        message.push_str(&format!(", over and over every {} mm of travel", fixed(period, 1)));
        evidence.push(Evidence { quantity: "period_mm", now: period, before: None });
        let names: Vec<&str> = parts::with_period(period).map(|part| part.name).collect();
        if !names.is_empty() {
            look_at.insert(0, format!("what repeats every {} mm: {}", fixed(period, 1), names.join(", or ")));
            look_at.truncate(3);
        }
    }
    let look_at: Vec<&str> = look_at.iter().map(String::as_str).collect();
    Some(finding(FindingCode::LineShaky, message, evidence, &look_at))
}

fn sides(newest: &Point, reference: &[&Point]) -> Option<Finding> {
    let line = newest.line.as_ref()?;
    let ratio = |p: &Point| p.line.as_ref()?.side_log_ratio();
    let compared = beside(newest, reference, ratio, |x| x, USUAL.sides, 0.0);
    let is_unequal = match &compared {
        Some(c) => c.strength.abs() >= TIMES,
        None => newest.cautions.contains(&CautionCode::OneSided),
    };
    let usual_soot = usual_soot(reference);
    let soot = line.soot_side.filter(|side| usual_soot.is_none_or(|usual| usual != Some(*side)));
    if !is_unequal && soot.is_none() {
        return None;
    }
    let mut said = Vec::new();
    let mut evidence = Vec::new();
    if let (true, Some(now)) = (is_unequal, ratio(newest)) {
        let faster = if now > 0.0 { "low" } else { "high" };
        let mut text = format!(
            "the line widens {} % faster towards the {faster} end than towards the other",
            fixed(100.0 * (now.abs().exp() - 1.0), 0)
        );
        if let Some(compared) = &compared {
            let before = compared.before;
            let was = if before > 0.0 { "low" } else { "high" };
            text.push_str(&format!(" (was {} % towards the {was} end)", fixed(100.0 * (before.abs().exp() - 1.0), 0)));
        }
        said.push(text);
        evidence.push(Evidence { quantity: "side_log_ratio", now, before: compared.map(|c| c.before) });
    }
    if let Some(side) = soot {
        let word = match side {
            SootSide::Left => "left",
            SootSide::Right => "right",
        };
        said.push(format!("soot lies to the {word} of the line, looking from the low end to the high end"));
        let sign = |side: Option<SootSide>| match side {
            Some(SootSide::Left) => -1.0,
            None => 0.0,
            Some(SootSide::Right) => 1.0,
        };
        evidence.push(Evidence { quantity: "soot_side", now: sign(Some(side)), before: usual_soot.map(sign) });
    }
    Some(finding(
        FindingCode::SidesUnequal,
        said.join("; "),
        evidence,
        &[
            "alignment: does the beam meet the middle of the lens, and the lens sit level",
            "the nozzle: is it centred on the beam, round and free of spatter",
            "the air: is the hose free, and does it blow straight down",
        ],
    ))
}

/// The side on which most of the reference's soot lies; outer `None` without a reference.
fn usual_soot(reference: &[&Point]) -> Option<Option<SootSide>> {
    let sides: Vec<Option<SootSide>> = reference.iter().filter_map(|p| Some(p.line.as_ref()?.soot_side)).collect();
    let count = |which: Option<SootSide>| sides.iter().filter(|side| **side == which).count();
    let all = [None, Some(SootSide::Left), Some(SootSide::Right)];
    (!sides.is_empty()).then(|| all.into_iter().max_by_key(|which| count(*which)).expect("there are three"))
}

/// Nothing earlier was burned as the newest strip: says what differs from the reading before it.
fn not_comparable(readings: &Readings, newest: &Point) -> Option<Finding> {
    let before = readings.points.len().checked_sub(2).map(|at| &readings.points[at])?;
    let differing = differing(before, newest);
    let message = if differing.is_empty() {
        "tube or mirrors were touched since the strip before, so width and strength of the lines start anew".to_owned()
    } else {
        format!(
            "no earlier strip was burned as this one ({}), so width and strength of the lines cannot be compared",
            differing.join("; ")
        )
    };
    Some(Finding {
        code: FindingCode::NotComparable,
        message,
        evidence: Vec::new(),
        look_at: vec!["burn the next strip with the same material, power, speed, passes, air and axis".to_owned()],
        before_looking: None,
    })
}

fn differing(before: &Point, now: &Point) -> Vec<String> {
    fn told<T: PartialEq + ToString>(what: &str, before: &Option<T>, now: &Option<T>) -> Option<String> {
        let text = |value: &Option<T>| value.as_ref().map_or_else(|| "not said".to_owned(), T::to_string);
        (before != now).then(|| format!("{what}: {}, before {}", text(now), text(before)))
    }
    let air = |air: Option<bool>| air.map(|on| if on { "on" } else { "off" });
    let (b, n) = (&before.burn, &now.burn);
    let all = [
        told("material", &b.material, &n.material),
        told("power", &b.power, &n.power),
        told("speed in mm/s", &b.speed_mm_s, &n.speed_mm_s),
        told("passes", &b.passes, &n.passes),
        told("air", &air(b.air), &air(n.air)),
        told("axis", &b.run_along, &n.run_along),
    ];
    all.into_iter().flatten().collect()
}

/// The newest strip's number beside the reference's median, on the scale that `scale` makes, in units of the usual scatter:
/// the reference's own where it has enough strips and it is larger, joined by the number's own standard uncertainty.
fn beside(
    newest: &Point,
    reference: &[&Point],
    number: impl Fn(&Point) -> Option<f64>,
    scale: impl Fn(f64) -> f64,
    usual: f64,
    own: f64,
) -> Option<Beside> {
    let now = number(newest)?;
    let mut before: Vec<f64> = reference.iter().filter_map(|p| number(p)).collect();
    if before.is_empty() {
        return None;
    }
    before.sort_by(f64::total_cmp);
    let n = before.len();
    let median = f64::midpoint(before[(n - 1) / 2], before[n / 2]);
    let scaled: Vec<f64> = before.iter().map(|b| scale(*b)).collect();
    let mean = scaled.iter().sum::<f64>() / n as f64;
    let scatter = if n < LEAST_FOR_SCATTER {
        UNTOLD * usual
    } else {
        (scaled.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt().max(usual)
    };
    let strength = (scale(now) - scale(median)) / scatter.hypot(own) / (1.0 + 1.0 / n as f64).sqrt();
    strength.is_finite().then_some(Beside { now, before: median, strength })
}
