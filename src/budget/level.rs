//! What a level at the seat asks of the speaker at each frequency, and where that is more than
//! it gives cleanly.

use super::{Clean, Highest, Law, LevelWanted};
use crate::audit::{Audit, Cause, Decision, Finding, Ground};

/// A boost that is reduced by less than this is not worth a finding, dB. Our own judgement.
const WORTH_SAYING_DB: f64 = 0.3;

/// Above the crossover to a subwoofer boosts come in over this width, octaves.
const SUB_EDGE_OCT: f64 = 0.5;

/// Where more is asked than is given cleanly, or nearest to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Excess {
    /// Where, Hz.
    pub f_hz: f64,
    /// Level that peaks ask for at 1 m, dB SPL.
    pub asked_db: f64,
    /// Highest clean level there, dB SPL at 1 m.
    pub clean_db: f64,
}

impl Excess {
    /// What is asked too much, dB; negative for what is left.
    pub fn excess_db(&self) -> f64 {
        self.asked_db - self.clean_db
    }
}

/// A level at the seat against the clean limits. Peaks are taken for carried by one frequency
/// alone, whichever it is: the cautious reading, since programme does not say where its peaks are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked<'a> {
    /// The level.
    pub wanted: LevelWanted,
    /// The limits.
    pub clean: &'a Clean,
}

impl Asked<'_> {
    /// What peaks ask for at 1 m where the response stands at its level, dB SPL; by the
    /// free-field law, the cautious one.
    fn peak_db(&self) -> f64 {
        self.wanted.asked_peak_db(Law::FreeField)
    }

    /// Where, of the frequencies with a known limit, most is asked against it. `output_db` is
    /// what the speaker gives at each, dB over its level.
    pub fn worst(&self, freqs_hz: &[f64], output_db: &[f64]) -> Option<Excess> {
        freqs_hz
            .iter()
            .zip(output_db)
            .filter_map(|(f_hz, output)| match self.clean.at(*f_hz)? {
                Highest::Known(clean_db) => Some(Excess {
                    f_hz: *f_hz,
                    asked_db: self.peak_db() + output,
                    clean_db,
                }),
                Highest::AtLeast(_) => None,
            })
            .max_by(|a, b| a.excess_db().total_cmp(&b.excess_db()))
    }

    /// The same for frequencies whose tables end below what is asked without a limit reached:
    /// nothing is known there.
    pub fn beyond_tables(&self, freqs_hz: &[f64], output_db: &[f64]) -> Option<Excess> {
        freqs_hz
            .iter()
            .zip(output_db)
            .filter_map(|(f_hz, output)| match self.clean.at(*f_hz)? {
                Highest::AtLeast(clean_db) => Some(Excess {
                    f_hz: *f_hz,
                    asked_db: self.peak_db() + output,
                    clean_db,
                }),
                Highest::Known(_) => None,
            })
            .filter(|excess| excess.excess_db() > 0.0)
            .max_by(|a, b| a.excess_db().total_cmp(&b.excess_db()))
    }
}

/// Reduces the boosts of the wish to what is given cleanly. `before_db` is what the speaker gives
/// at each frequency of the audit before the plan, dB over its level. Each stretch where that
/// takes off more than a trifle becomes a finding with the cause `output-limit`; what was found
/// there before gives way to it.
pub fn limit_boost(audit: &mut Audit, asked: &Asked, before_db: &[f64]) {
    let weights = &audit.deviations.weights;
    // At equal loudness the rest of the plan counts too: what it takes off is turned up again.
    let level_db: f64 = weights.iter().zip(&audit.wish_db).map(|(w, g)| w * g).sum();
    let limited_db: Vec<f64> = audit
        .grid
        .freqs_hz()
        .iter()
        .zip(&audit.wish_db)
        .zip(before_db)
        .map(|((f_hz, wish), before)| match asked.clean.at(*f_hz) {
            Some(Highest::Known(clean_db)) if *wish > 0.0 => {
                let room_db = clean_db - asked.peak_db() - before + level_db;
                wish.min(room_db.max(0.0))
            }
            _ => *wish,
        })
        .collect();
    let stretches = stretches(&audit.wish_db, &limited_db);
    let findings: Vec<Finding> = stretches
        .into_iter()
        .map(|range| finding(audit, asked, before_db, &limited_db, level_db, range))
        .collect();
    audit.findings.retain(|old| {
        !findings.iter().any(|new| {
            old.size_db < 0.0
                && old.decision != Decision::Leave
                && (new.from_hz..=new.to_hz).contains(&old.peak_hz)
        })
    });
    audit.findings.extend(findings);
    audit
        .findings
        .sort_by(|a, b| a.peak_hz.total_cmp(&b.peak_hz));
    replace_wish(audit, limited_db);
}

/// Takes every boost below `f_hz` out of the wish: there a subwoofer plays.
pub fn no_boost_below(audit: &mut Audit, f_hz: f64) {
    let limited_db: Vec<f64> = audit
        .grid
        .freqs_hz()
        .iter()
        .zip(&audit.wish_db)
        .map(|(f, wish)| {
            if *wish > 0.0 {
                wish * ((f / f_hz).log2() / SUB_EDGE_OCT).clamp(0.0, 1.0)
            } else {
                *wish
            }
        })
        .collect();
    replace_wish(audit, limited_db);
}

fn replace_wish(audit: &mut Audit, wish_db: Vec<f64>) {
    audit.reach = audit.deviations.share_removed(&wish_db);
    audit.wish_db = wish_db;
}

/// Runs of frequencies at which more than a trifle was taken off.
fn stretches(before_db: &[f64], after_db: &[f64]) -> Vec<std::ops::Range<usize>> {
    let mut found: Vec<std::ops::Range<usize>> = Vec::new();
    for (i, (before, after)) in before_db.iter().zip(after_db).enumerate() {
        if before - after <= WORTH_SAYING_DB {
            continue;
        }
        match found.last_mut() {
            Some(range) if range.end == i => range.end = i + 1,
            _ => found.push(i..i + 1),
        }
    }
    found
}

fn finding(
    audit: &Audit,
    asked: &Asked,
    before_db: &[f64],
    limited_db: &[f64],
    level_db: f64,
    range: std::ops::Range<usize>,
) -> Finding {
    let freqs_hz = audit.grid.freqs_hz();
    let taken_db = |i: usize| audit.wish_db[i] - limited_db[i];
    let peak = range
        .clone()
        .max_by(|a, b| taken_db(*a).total_cmp(&taken_db(*b)))
        .unwrap_or(range.start);
    let clean_db = asked
        .clean
        .at(freqs_hz[peak])
        .map_or(f64::NAN, Highest::level_db);
    let share = (limited_db[peak] / audit.wish_db[peak]).clamp(0.0, 1.0);
    Finding {
        from_hz: freqs_hz[range.start],
        to_hz: freqs_hz[range.end - 1],
        peak_hz: freqs_hz[peak],
        size_db: audit.deviations.window_db[peak],
        in_room_size_db: Some(audit.deviations.in_room_db[peak]),
        q: None,
        spread_db: None,
        cause: Cause::OutputLimit,
        decision: if share > 0.0 {
            Decision::Soften
        } else {
            Decision::Leave
        },
        share,
        witnesses: Vec::new(),
        ground: Ground::AsksTooMuch {
            boost_db: audit.wish_db[peak],
            asked_db: asked.peak_db() + before_db[peak] + audit.wish_db[peak] - level_db,
            clean_db,
        },
    }
}
