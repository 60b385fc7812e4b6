//! What the trial prints.

use super::baselines::{NAMES, baselines};
use planish::audit::WORTH_SAYING_DB;
use planish::findings::{Decision, SURE_FROM, marks as marks_of};
use planish::trial::{Benefit, Outcome, ScoredDefect, ScoredFinding};
use std::collections::BTreeMap;
use std::fmt::Write;

type All = [(u64, Outcome)];

/// Value that this share of `values` lies below.
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = ((sorted.len().max(1) - 1) as f64 * share).round() as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

fn percent(part: usize, whole: usize) -> f64 {
    100.0 * part as f64 / whole.max(1) as f64
}

/// Every defect that was handled wrongly.
pub fn wrong(seed: u64, outcome: &Outcome) {
    println!(
        "seed {seed}: gained {:.0} %, harm {:.2} dB, a window angle rougher by {:.2} dB",
        100.0 * outcome.benefit.share(),
        outcome.benefit.harm_db,
        outcome.worst_change_db
    );
    for ScoredDefect { score, cause_right } in &outcome.defects {
        if score.right && *cause_right {
            continue;
        }
        println!(
            "seed {seed}: {} at {:.0} Hz ({:+.1} dB) undone {:.2}, boost {:.1} dB, left {:.2} dB{}{}",
            score.kind.name(),
            score.f_hz,
            score.effect_db,
            score.undone,
            score.local_boost_db,
            score.left_db,
            if score.right { "" } else { ", wrong" },
            if *cause_right { "" } else { ", cause wrong" },
        );
    }
}

/// What is gained by the plan and by plans without judgement: of all speakers, at least and ("to") at most
/// where it is not known what of the healthy unevenness is shared.
pub fn gained(all: &All) {
    println!(
        "{:<26} {:>7} {:>7} {:>7} {:>7} {:>9} {:>9}",
        "gained", "pooled", "to", "median", "5 %", "harm 50 %", "harm 95 %"
    );
    let line = |name: &str, benefits: &[Benefit]| {
        // Of a speaker without anything to mend no share can be had.
        let shares: Vec<f64> = (benefits.iter())
            .filter(|b| b.ideal_db2 > 0.04)
            .map(Benefit::share)
            .collect();
        let harm: Vec<f64> = benefits.iter().map(|b| b.harm_db).collect();
        println!(
            "{name:<26} {:>5.1} % {:>5.1} % {:>5.1} % {:>5.1} % {:>6.2} dB {:>6.2} dB",
            100.0 * Benefit::pooled(benefits),
            100.0 * Benefit::pooled_at_most(benefits),
            100.0 * quantile(&shares, 0.5),
            100.0 * quantile(&shares, 0.05),
            quantile(&harm, 0.5),
            quantile(&harm, 0.95),
        );
    };
    let own: Vec<Benefit> = all.iter().map(|(_, o)| o.benefit).collect();
    line("the plan", &own);
    let others: Vec<[Benefit; 3]> = all.iter().map(|(_, o)| baselines(o)).collect();
    for (k, name) in NAMES.iter().enumerate() {
        line(name, &others.iter().map(|b| b[k]).collect::<Vec<_>>());
    }
    let healthy: Vec<&Outcome> = (all.iter().map(|(_, o)| o))
        .filter(|o| o.defects.is_empty())
        .collect();
    let touched = healthy.iter().filter(|o| largest_gain_db(o) > 1.0).count();
    println!(
        "speakers without a fault: {}, of these {touched} with a stage of more than 1 dB",
        healthy.len()
    );
}

fn largest_gain_db(outcome: &Outcome) -> f64 {
    let gains = outcome.plan.fit.stages.iter().map(|s| s.gain_db.abs());
    gains.fold(0.0, f64::max)
}

/// Defects by kind.
pub fn defects(all: &All) {
    let mut by_kind: BTreeMap<&str, Vec<&ScoredDefect>> = BTreeMap::new();
    for defect in all.iter().flat_map(|(_, outcome)| &outcome.defects) {
        by_kind
            .entry(defect.score.kind.name())
            .or_default()
            .push(defect);
    }
    println!(
        "{:<20} {:>5} {:>7} {:>7}   undone: {:>6} {:>6} {:>6}",
        "kind", "count", "right", "cause", "5 %", "50 %", "95 %"
    );
    let (mut count, mut right, mut causes) = (0, 0, 0);
    for (kind, scores) in &by_kind {
        let undone: Vec<f64> = scores.iter().map(|s| s.score.undone).collect();
        let rights = scores.iter().filter(|s| s.score.right).count();
        let cause = scores.iter().filter(|s| s.cause_right).count();
        println!(
            "{kind:<20} {:>5} {:>5.1} % {:>5.1} %   {:>14.2} {:>6.2} {:>6.2}",
            scores.len(),
            percent(rights, scores.len()),
            percent(cause, scores.len()),
            quantile(&undone, 0.05),
            quantile(&undone, 0.5),
            quantile(&undone, 0.95)
        );
        count += scores.len();
        right += rights;
        causes += cause;
    }
    println!(
        "{:<20} {count:>5} {:>5.1} % {:>5.1} %",
        "all",
        percent(right, count),
        percent(causes, count)
    );
    let small: Vec<&&ScoredDefect> = (by_kind.get("resonance").into_iter().flatten())
        .filter(|d| (1.5..2.5).contains(&d.score.effect_db))
        .collect();
    let kept = (small.iter())
        .filter(|d| (0.75..=1.25).contains(&d.score.undone))
        .count();
    println!(
        "bumps of 1.5 to 2.5 dB: {}, undone by 0.75 to 1.25: {:.1} %",
        small.len(),
        percent(kept, small.len())
    );
    let roughest = (all.iter().map(|(_, o)| o.worst_change_db)).fold(f64::NEG_INFINITY, f64::max);
    println!("roughest window angle: {roughest:+.2} dB rms against before");
}

/// What is said, and how often it is so.
pub fn findings(all: &All) {
    let said: Vec<&ScoredFinding> = all.iter().flat_map(|(_, o)| &o.findings).collect();
    let counts: Vec<f64> = (all.iter())
        .map(|(_, o)| o.findings.iter().filter(|f| !f.finding.is_minor()).count() as f64)
        .collect();
    let right = |of: &[&ScoredFinding]| of.iter().filter(|f| f.is_right).count();
    println!(
        "findings: {}, to read {:.0} in the middle and {:.0} at 90 %; right {:.1} %",
        said.len(),
        quantile(&counts, 0.5),
        quantile(&counts, 0.9),
        percent(right(&said), said.len())
    );
    println!(
        "{:<14} {:>5} {:>7} {:>7}",
        "said to be", "count", "mean", "right"
    );
    for (from, to) in [
        (0.0, 0.5),
        (0.5, 0.7),
        (0.7, 0.8),
        (0.8, 0.9),
        (0.9, 0.95),
        (0.95, 1.01),
    ] {
        let of: Vec<&ScoredFinding> = (said.iter().copied())
            .filter(|f| (from..to).contains(&f.finding.sure))
            .collect();
        let mean = of.iter().map(|f| f.finding.sure).sum::<f64>() / of.len().max(1) as f64;
        println!(
            "{from:.2} to {:.2}   {:>5} {:>5.1} % {:>5.1} %",
            to.min(1.0),
            of.len(),
            100.0 * mean,
            percent(right(&of), of.len())
        );
    }
    let sure: Vec<&ScoredFinding> = (said.iter().copied())
        .filter(|f| f.finding.sure >= SURE_FROM)
        .collect();
    let mean = said.iter().map(|f| f.finding.sure).sum::<f64>() / said.len().max(1) as f64;
    println!(
        "sure: {:.1} % of all, right {:.1} %; said and so differ by {:+.3}",
        percent(sure.len(), said.len()),
        percent(right(&sure), sure.len()),
        mean - right(&said) as f64 / said.len().max(1) as f64
    );
    made_up(all);
    not_found(all);
    let reaches: Vec<[f64; 2]> = all.iter().filter_map(|(_, o)| o.reach).collect();
    let differences: Vec<f64> = reaches.iter().map(|[said, truth]| said - truth).collect();
    let within = (all.iter())
        .filter_map(|(_, o)| Some((o.reach?[1], o.plan.mendable.reach_range?)))
        .filter(|(truth, range)| (range.0..=range.1).contains(truth))
        .count();
    println!(
        "reach said minus true: {:+.2}, {:+.2}, {:+.2} at 5, 50, 95 %; within its range {:.1} %",
        quantile(&differences, 0.05),
        quantile(&differences, 0.5),
        quantile(&differences, 0.95),
        percent(within, reaches.len())
    );
}

/// Findings corrected by 1 dB or more where there is nothing to mend.
fn made_up(all: &All) {
    let mut corrected = 0;
    let mut nothing_there = 0;
    for (_, outcome) in all {
        let ideal_db = outcome.known.ideal_eq_db();
        let grid = planish::trial::ScoreGrid::grid();
        for scored in &outcome.findings {
            let f = &scored.finding;
            if f.decision != Decision::Correct || f.size_db.abs() < WORTH_SAYING_DB {
                continue;
            }
            corrected += 1;
            let largest_db = (grid.nearest(f.from_hz)..=grid.nearest(f.to_hz))
                .map(|i| ideal_db[i].abs())
                .fold(0.0, f64::max);
            nothing_there += usize::from(largest_db < 0.5);
        }
    }
    println!(
        "corrected findings of 1 dB or more: {corrected}, where the ideal EQ stays below 0.5 dB: {:.1} %",
        percent(nothing_there, corrected)
    );
}

/// Defects of more than 2 dB in the window that no finding names within a third of an octave.
fn not_found(all: &All) {
    let (mut count, mut missed) = (0, 0);
    for (_, outcome) in all {
        for defect in &outcome.defects {
            let score = &defect.score;
            if score.effect_db.abs() < 2.0 {
                continue;
            }
            count += 1;
            let is_told = outcome.findings.iter().any(|f| {
                let f = &f.finding;
                let reach = (1.0f64 / 3.0).exp2();
                (f.from_hz / reach..=f.to_hz * reach).contains(&score.f_hz)
            });
            missed += usize::from(!is_told);
        }
    }
    println!(
        "defects of more than 2 dB: {count}, without a finding: {:.1} %",
        percent(missed, count)
    );
}

/// A table of all findings: seed, whether right, error in dB, size in dB, probability, then the marks;
/// before those of a speaker, in a line that begins with `#`, its reach as said and as it is, the mean
/// probability of its findings, and the deviation before, dB rms.
pub fn marks(all: &All) -> String {
    let mut out = String::new();
    for (seed, outcome) in all {
        if let Some([said, truth]) = outcome.reach {
            let sures = outcome.findings.iter().map(|f| f.finding.sure);
            let mean = sures.sum::<f64>() / outcome.findings.len().max(1) as f64;
            let before_db = outcome.plan.mendable.before_db;
            let _ = writeln!(
                out,
                "# {seed} {said:.4} {truth:.4} {mean:.4} {before_db:.3}"
            );
        }
        let basis = &outcome.plan.audit.basis;
        for scored in &outcome.findings {
            let finding = &scored.finding;
            let _ = write!(
                out,
                "{seed} {} {:.4} {:.4} {:.4}",
                u8::from(scored.is_right),
                scored.error_db,
                finding.size_db,
                finding.sure
            );
            for mark in marks_of(finding, &outcome.plan.findings, basis) {
                let _ = write!(out, " {mark:.4}");
            }
            out.push('\n');
        }
    }
    out
}
