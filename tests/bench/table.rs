//! The table: what was asked, what came out, and whether that is enough.

use std::collections::BTreeMap;

use narrows::synth::draw::{CaptureKind, DatumKind, Stratum};

use crate::trial::{Answer, Case, Compared, Trial};

/// Runs below this many strips allow coverage two binomial standard errors of chance.
const ENOUGH: usize = 1000;
/// Strata below this many answers are not judged on their own.
const STRATUM: usize = 100;

/// Prints the table; false where a judged row falls short.
pub fn print(strips: &[Trial], traps: &[Trial]) -> bool {
    let mut judge = Judge { passed: true };
    if !strips.is_empty() {
        accuracy(&mut judge, strips);
        coverage(&mut judge, strips);
        answered(&mut judge, strips);
    }
    let wrong = strips.iter().chain(traps).filter(|trial| trial.is_wrong_and_confident()).count();
    println!("\nwrong and confident (more than 3 expanded uncertainties off, or a number where none exists)");
    judge.row(&format!("  of {}", strips.len() + traps.len()), &wrong.to_string(), "0", wrong == 0);
    strata(strips);
    refusals("refusals of answerable strips", strips.iter().filter(|trial| trial.truth.is_answerable()));
    refusals("refusals of unanswerable strips", strips.iter().filter(|trial| !trial.truth.is_answerable()));
    trap_table(traps);
    println!("\n{}", if judge.passed { "every judged row holds" } else { "at least one judged row falls short" });
    judge.passed
}

struct Judge {
    passed: bool,
}

impl Judge {
    fn row(&mut self, name: &str, got: &str, asked: &str, holds: bool) {
        self.passed &= holds;
        println!("{name:<58} {got:<30} asked {asked:<18} {}", if holds { "ok" } else { "FALLS SHORT" });
    }
}

fn answers<'a>(trials: impl IntoIterator<Item = &'a Trial>) -> Vec<&'a Answer> {
    trials.into_iter().filter_map(|trial| trial.outcome.as_ref().ok()).collect()
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = share * (sorted.len().saturating_sub(1)) as f64;
    let [low, high] = [place.floor() as usize, place.ceil() as usize];
    match sorted.get(high) {
        Some(upper) => sorted[low] + (place - low as f64) * (upper - sorted[low]),
        None => f64::NAN,
    }
}

fn accuracy(judge: &mut Judge, strips: &[Trial]) {
    println!("\nfocus error over the Rayleigh range: median / 90 % / 99.5 %");
    let is_of = |trial: &Trial, wanted: &dyn Fn(Stratum) -> bool| matches!(trial.case, Case::Strip(stratum, _) if wanted(stratum));
    let firm = |s: Stratum| s.capture == CaptureKind::Scan || s.datum == DatumKind::Marks;
    let loose = |s: Stratum| !firm(s);
    let all = |_: Stratum| true;
    for (name, asked, chosen) in [
        (
            "  scans, photos with marks",
            [0.05, 0.15, 0.5],
            strips.iter().filter(|t| is_of(t, &firm)).collect::<Vec<_>>(),
        ),
        (
            "  photos with ends, strip or points, strip in the picture",
            [0.08, 0.25, 0.6],
            strips.iter().filter(|t| is_of(t, &loose) && t.shows_strip()).collect(),
        ),
    ] {
        let errors: Vec<f64> =
            answers(chosen).iter().filter_map(|answer| answer.focus).map(|focus| focus.error.abs()).collect();
        if errors.is_empty() {
            continue;
        }
        let got = [0.5, 0.9, 0.995].map(|share| quantile(&errors, share));
        let holds = got.iter().zip(asked).all(|(got, asked)| *got <= asked);
        let text = |v: [f64; 3]| format!("{:.3} / {:.3} / {:.3}", v[0], v[1], v[2]);
        judge.row(name, &format!("{} ({})", text(got), errors.len()), &text(asked), holds);
    }
    let stated: Vec<f64> = answers(strips.iter().filter(|t| is_of(t, &all)))
        .iter()
        .filter_map(|answer| answer.focus)
        .map(|focus| focus.standard_uncertainty)
        .collect();
    if !stated.is_empty() {
        let median = quantile(&stated, 0.5);
        judge.row("  median stated standard uncertainty", &format!("{median:.3}"), "≤ 0.050", median <= 0.05);
    }
    let kerfs: Vec<f64> = answers(strips).iter().filter_map(|answer| answer.kerf_relative).collect();
    if !kerfs.is_empty() {
        let sizes: Vec<f64> = kerfs.iter().map(|value| value.abs()).collect();
        println!(
            "  kerf_mm against the noise-free kerf (not judged): median {:+.1} %, median size {:.1} %",
            100.0 * quantile(&kerfs, 0.5),
            100.0 * quantile(&sizes, 0.5),
        );
    }
}

/// Share covered, with its binomial standard error.
fn covered(compared: &[Compared]) -> (f64, f64) {
    let count = compared.len().max(1) as f64;
    let share = compared.iter().filter(|one| one.is_covered()).count() as f64 / count;
    (share, (0.95 * 0.05 / count).sqrt())
}

fn coverage(judge: &mut Judge, strips: &[Trial]) {
    let chance = |error: f64| if strips.len() < ENOUGH { 2.0 * error } else { 0.0 };
    let note = if strips.len() < ENOUGH { ", two standard errors of chance allowed in a short run" } else { "" };
    println!("\ntruth inside the value ± expanded uncertainty{note}");
    let positions: Vec<Compared> = answers(strips).iter().filter_map(|answer| answer.position).collect();
    let spacers: Vec<Compared> = answers(strips).iter().filter_map(|answer| answer.spacer).collect();
    for (name, compared, [low, high]) in
        [("  position_mm", &positions, [0.93, 0.97]), ("  spacer_mm", &spacers, [0.93, 0.98])]
    {
        if compared.is_empty() {
            continue;
        }
        let (share, error) = covered(compared);
        let holds = share >= low - chance(error) && share <= high + chance(error);
        let z: Vec<f64> = compared.iter().map(Compared::z).collect();
        let sizes: Vec<f64> = z.iter().map(|z| z.abs()).collect();
        let got = format!("{:.1} % of {}", 100.0 * share, compared.len());
        judge.row(name, &got, &format!("{:.0}–{:.0} %", 100.0 * low, 100.0 * high), holds);
        println!(
            "    error over standard uncertainty: median {:+.2}; size 50 % {:.2} (Gauss 0.67), 95 % {:.2} (1.96), largest {:.1}",
            quantile(&z, 0.5),
            quantile(&sizes, 0.5),
            quantile(&sizes, 0.95),
            quantile(&sizes, 1.0)
        );
    }
    for stratum in Stratum::all() {
        let chosen = strips.iter().filter(|trial| matches!(trial.case, Case::Strip(of, _) if of == stratum));
        let compared: Vec<Compared> = answers(chosen).iter().filter_map(|answer| answer.position).collect();
        if compared.len() >= STRATUM {
            let (share, _) = covered(&compared);
            let name = format!("  position_mm, {}", stratum.name());
            judge.row(&name, &format!("{:.1} % of {}", 100.0 * share, compared.len()), "≥ 90 %", share >= 0.90);
        }
    }
}

fn answered(judge: &mut Judge, strips: &[Trial]) {
    let answerable: Vec<&Trial> = strips.iter().filter(|trial| trial.truth.is_answerable()).collect();
    if answerable.is_empty() {
        return;
    }
    let count = answerable.iter().filter(|trial| trial.outcome.is_ok()).count();
    let share = count as f64 / answerable.len() as f64;
    println!("\nanswerable strips");
    let got = format!("{:.1} % of {} answered", 100.0 * share, answerable.len());
    judge.row("  answered", &got, "≥ 95 %", share >= 0.95);
}

fn strata(strips: &[Trial]) {
    if strips.is_empty() {
        return;
    }
    println!(
        "\n{:<14}{:>8}{:>12}{:>10}{:>10}{:>24}{:>10}{:>9}{:>9}",
        "by stratum", "strips", "answerable", "answered", "others", "error 50/90/100 %", "u 50 %", "inside", "wrong"
    );
    for stratum in Stratum::all() {
        let chosen: Vec<&Trial> =
            strips.iter().filter(|trial| matches!(trial.case, Case::Strip(of, _) if of == stratum)).collect();
        if chosen.is_empty() {
            continue;
        }
        let answerable = chosen.iter().filter(|trial| trial.truth.is_answerable()).count();
        let is_answered = |trial: &&&Trial| trial.outcome.is_ok();
        let good = chosen.iter().filter(is_answered).filter(|trial| trial.truth.is_answerable()).count();
        let others = chosen.iter().filter(is_answered).count() - good;
        let focus: Vec<Compared> = answers(chosen.iter().copied()).iter().filter_map(|answer| answer.focus).collect();
        let errors: Vec<f64> = focus.iter().map(|one| one.error.abs()).collect();
        let stated: Vec<f64> = focus.iter().map(|one| one.standard_uncertainty).collect();
        let [half, most, all] = [0.5, 0.9, 1.0].map(|share| quantile(&errors, share));
        println!(
            "{:<14}{:>8}{:>12}{:>9.0}%{:>10}{:>24}{:>10.3}{:>8.1}%{:>9}",
            stratum.name(),
            chosen.len(),
            answerable,
            100.0 * good as f64 / answerable.max(1) as f64,
            others,
            format!("{half:.3} / {most:.3} / {all:.3}"),
            quantile(&stated, 0.5),
            100.0 * covered(&focus).0,
            chosen.iter().filter(|trial| trial.is_wrong_and_confident()).count(),
        );
    }
}

fn refusals<'a>(title: &str, trials: impl Iterator<Item = &'a Trial>) {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for trial in trials {
        if let Err(reason) = &trial.outcome {
            *counts.entry(reason).or_default() += 1;
        }
    }
    if counts.is_empty() {
        return;
    }
    let list: Vec<String> = counts.iter().map(|(reason, count)| format!("{reason} {count}")).collect();
    println!("\n{title}: {}", list.join(", "));
}

fn trap_table(traps: &[Trial]) {
    if traps.is_empty() {
        return;
    }
    println!("\ntraps");
    let mut kinds: BTreeMap<String, Vec<&Trial>> = BTreeMap::new();
    for trial in traps {
        kinds.entry(trial.case.name()).or_default().push(trial);
    }
    for (kind, trials) in kinds {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for trial in &trials {
            let word = match &trial.outcome {
                Ok(_) if trial.is_wrong_and_confident() => "WRONG AND CONFIDENT",
                Ok(_) => "answered within its uncertainty",
                Err(reason) => reason,
            };
            *counts.entry(word).or_default() += 1;
        }
        let list: Vec<String> = counts.iter().map(|(word, count)| format!("{word} {count}")).collect();
        println!("  {kind:<14} {}", list.join(", "));
    }
}

/// Lists the cases that went worst: confident and wrong ones first, then by size of error over the Rayleigh range, then
/// refusals of answerable strips.
pub fn print_worst(strips: &[Trial], traps: &[Trial], count: usize) {
    if count == 0 {
        return;
    }
    let badness = |trial: &Trial| {
        let error = trial.outcome.as_ref().ok().and_then(|answer| answer.focus).map_or(0.0, |focus| focus.error.abs());
        let refused = trial.outcome.is_err() && trial.truth.is_answerable();
        error + if trial.is_wrong_and_confident() { 1e6 } else { 0.0 } + if refused { 0.3 } else { 0.0 }
    };
    let mut sorted: Vec<&Trial> = strips.iter().chain(traps).collect();
    sorted.sort_by(|a, b| badness(b).total_cmp(&badness(a)));
    println!("\nworst {count}");
    for trial in sorted.into_iter().take(count).filter(|trial| badness(trial) > 0.0) {
        let outcome = match &trial.outcome {
            Ok(answer) => {
                let focus = answer.focus.map_or("no truth".to_owned(), |focus| {
                    format!("error {:+.3} u {:.3} (z {:+.1})", focus.error, focus.standard_uncertainty, focus.z())
                });
                let spacer = answer.spacer.map_or(String::new(), |spacer| format!(", spacer z {:+.1}", spacer.z()));
                format!("{focus}{spacer}")
            }
            Err(reason) => reason.clone(),
        };
        println!("{} {}: {outcome}", trial.case.name(), trial.case.seed());
        println!("    {}; {}", trial.ways, trial.about);
        let fits: Vec<String> = trial.fits.iter().map(ToString::to_string).collect();
        println!("    {}; {}; {}", fits.join(", "), trial.cautions.join(", "), trial.truth.unanswerable.join(", "));
    }
}
