//! What a level at the seat asks of the speaker at each frequency, and where that is more than
//! it gives cleanly.

use super::{Clean, Highest, Law, LevelWanted};
use crate::audit::{Audit, Candidate, Cause, Circumstance, Wish};
use crate::curve::{Band, Curve};
use std::ops::Range;

/// A boost that is reduced by less than this is not worth speaking of, dB. Our own judgement.
const REDUCED_WORTH_SAYING_DB: f64 = 0.3;

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

    /// Where, of the frequencies with a known limit, most is asked against it. `output` is what the
    /// speaker gives, over its level.
    pub fn worst(&self, output: &Curve) -> Option<Excess> {
        self.most(output, |highest| match highest {
            Highest::Known(clean_db) => Some(clean_db),
            Highest::AtLeast(_) => None,
        })
    }

    /// The same for frequencies whose tables end below what is asked without a limit reached:
    /// nothing is known there.
    pub fn beyond_tables(&self, output: &Curve) -> Option<Excess> {
        self.most(output, |highest| match highest {
            Highest::AtLeast(clean_db) => Some(clean_db),
            Highest::Known(_) => None,
        })
        .filter(|excess| excess.excess_db() > 0.0)
    }

    fn most(&self, output: &Curve, counts: impl Fn(Highest) -> Option<f64>) -> Option<Excess> {
        output
            .iter()
            .filter_map(|at| {
                Some(Excess {
                    f_hz: at.f_hz,
                    asked_db: self.peak_db() + at.value_db,
                    clean_db: counts(self.clean.at(at.f_hz)?)?,
                })
            })
            .max_by(|a, b| a.excess_db().total_cmp(&b.excess_db()))
    }
}

/// The wish with its boosts reduced to what is given cleanly. `before` is what the speaker gives
/// before the plan, over its level. Each stretch where that takes off more than a trifle becomes a
/// candidate with the cause `output-limit`; what was found there before gives way to it.
pub fn limited(audit: &Audit, wish: &Wish, asked: &Asked, before: &Curve) -> Wish {
    let reduced = Reduced::new(audit, wish, asked, before);
    let limited: Vec<Candidate> = stretches(&(&wish.eq - &reduced.eq))
        .into_iter()
        .map(|range| reduced.candidate(audit, range))
        .collect();
    // What cannot be filled as far as it was wished is told once.
    let gives_way = |old: &Candidate| {
        old.size_db < 0.0
            && matches!(old.cause, Cause::ShallowDip | Cause::Balance)
            && limited.iter().any(|new| new.band.contains(old.peak_hz))
    };
    let kept = wish
        .candidates
        .iter()
        .filter(|old| !gives_way(old))
        .cloned();
    let all = kept.chain(limited.clone()).collect();
    Wish::new(reduced.eq, all)
}

/// The wish without any boost below `f_hz`: there a subwoofer plays.
pub fn without_boost_below(wish: &Wish, f_hz: f64) -> Wish {
    let eq = wish.eq.map(|at| {
        if at.value_db > 0.0 {
            at.value_db * ((at.f_hz / f_hz).log2() / SUB_EDGE_OCT).clamp(0.0, 1.0)
        } else {
            at.value_db
        }
    });
    Wish::new(eq, wish.candidates.clone())
}

/// Runs of frequencies at which more than a trifle was taken off.
fn stretches(taken: &Curve) -> Vec<Range<usize>> {
    let mut found: Vec<Range<usize>> = Vec::new();
    for (i, taken_db) in taken.values_db().iter().enumerate() {
        if *taken_db <= REDUCED_WORTH_SAYING_DB {
            continue;
        }
        match found.last_mut() {
            Some(range) if range.end == i => range.end = i + 1,
            _ => found.push(i..i + 1),
        }
    }
    found
}

/// A wish on its way to its limits.
struct Reduced<'a> {
    asked: &'a Asked<'a>,
    before: &'a Curve,
    wished: &'a Curve,
    eq: Curve,
    /// What the whole wish changes in level, dB: at equal loudness the rest of the plan counts too,
    /// since what it takes off is turned up again.
    level_db: f64,
}

impl<'a> Reduced<'a> {
    fn new(audit: &Audit, wish: &'a Wish, asked: &'a Asked, before: &'a Curve) -> Reduced<'a> {
        let level_db = wish.eq.mean_db(&audit.deviations.weights);
        let mut output = before.iter();
        let eq = wish.eq.map(|at| {
            let before_db = output.next().map_or(0.0, |before| before.value_db);
            match asked.clean.at(at.f_hz) {
                Some(Highest::Known(clean_db)) if at.value_db > 0.0 => {
                    let left_db = clean_db - asked.peak_db() - before_db + level_db;
                    at.value_db.min(left_db.max(0.0))
                }
                _ => at.value_db,
            }
        });
        Reduced {
            asked,
            before,
            wished: &wish.eq,
            eq,
            level_db,
        }
    }

    fn candidate(&self, audit: &Audit, range: Range<usize>) -> Candidate {
        let freqs_hz = audit.grid.freqs_hz();
        let taken = self.wished - &self.eq;
        let peak = range
            .clone()
            .max_by(|a, b| taken.values_db()[*a].total_cmp(&taken.values_db()[*b]))
            .unwrap_or(range.start);
        let at = |curve: &Curve| curve.values_db()[peak];
        let clean = self.asked.clean.at(freqs_hz[peak]);
        Candidate {
            band: Band {
                from_hz: freqs_hz[range.start],
                to_hz: freqs_hz[range.end - 1],
            },
            peak_hz: freqs_hz[peak],
            size_db: -at(self.wished),
            own: -self.wished,
            q: None,
            spread_db: None,
            movement: None,
            cause: Cause::OutputLimit,
            known: Some(Circumstance::AsksTooMuch {
                boost_db: at(self.wished),
                asked_db: self.asked.peak_db() + at(self.before) + at(self.wished) - self.level_db,
                clean_db: clean.map_or(f64::NAN, Highest::level_db),
            }),
            doubt_db: 0.0,
            witnesses: Vec::new(),
        }
    }
}
