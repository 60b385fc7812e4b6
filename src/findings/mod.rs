//! What is said of a speaker: each statement is settled when the filters stand, from the measured
//! curves and from what the exported filters do, so that a reader can check it on both.
//!
//! The audit, the room, the owner's tables and the other unit of a pair hand over candidates. A
//! candidate becomes a [`Finding`] with the values that were measured at its place, with what the
//! filters undo of it, and with a ground whose condition was tested and holds.

mod decision;
mod finding;
mod one_matter;
mod sure;
mod tested;

pub use decision::{CORRECTED_FROM, Decision, SOFTENED_FROM};
pub use finding::{Finding, Ground, Measured, Settle, StandsOutIn};
pub use sure::{DOUBTFUL_BELOW, MARKS, SURE_FROM, marks};

use crate::audit::{Audit, Candidate, Cause, Circumstance, Wish};
use crate::average::{Average, AveragedCurves};
use crate::curve::{Curve, Smoother};
use crate::filter::Bank;
use crate::target::Target;
use decision::{Share, decision};

/// What findings are settled from.
#[derive(Debug, Clone, Copy)]
pub struct Settling<'a> {
    /// The averaged curves as measured.
    pub curves: &'a AveragedCurves,
    /// The wanted curve.
    pub target: &'a Target,
    /// What the angles show.
    pub audit: &'a Audit,
    /// The wanted EQ and what it answers to or passes over.
    pub wish: &'a Wish,
    /// The stages that correct, without a level in front, as the device holds them.
    pub filters: &'a Bank,
    /// Their own level, dB: only shape matters.
    pub filters_level_db: f64,
}

/// An extremum is looked for so near to a finding's peak, octaves.
const EXTREMUM_WITHIN_OCT: f64 = 1.0 / 6.0;

/// Smoothing before extrema are looked for, octaves: takes out measuring noise.
const EXTREMUM_SMOOTHING_OCT: f64 = 1.0 / 12.0;

/// What cannot be seen in the window and is left alone is told from this size on, dB: smaller ones no
/// reader can check, and no filter acts on them. Our own judgement.
const HIDDEN_WORTH_SAYING_DB: f64 = 2.0;

/// All findings, by ascending frequency.
pub fn settle(from: &Settling) -> Vec<Finding> {
    let at_hand = AtHand::new(from);
    let candidates = from.wish.candidates.iter();
    let can_be_told = |f: &Finding| {
        let is_left = f.decision == Decision::Leave;
        let is_of_window = !matches!(f.cause, Cause::Directivity | Cause::SingleAxis);
        !(f.is_hidden && is_of_window && is_left && f.size_db.abs() < HIDDEN_WORTH_SAYING_DB)
    };
    let all = candidates.map(|c| at_hand.finding(c)).filter(can_be_told);
    let mut findings = one_matter::told_once(all.collect());
    let basis = &from.audit.basis;
    let all = findings.clone();
    for finding in &mut findings {
        finding.sure = sure::sure(&marks(finding, &all, basis));
        finding.settle = sure::settle(finding, finding.sure, basis);
    }
    findings
}

/// The curves that every finding is held against.
struct AtHand<'a> {
    from: &'a Settling<'a>,
    /// Measured curves over their targets, dB.
    window: Option<Curve>,
    axis: Option<Curve>,
    room: Option<Curve>,
    /// The window's deviation in which extrema are looked for.
    smooth_window: Curve,
    wish_level_db: f64,
}

impl<'a> AtHand<'a> {
    fn new(from: &'a Settling<'a>) -> AtHand<'a> {
        let (audit, curves) = (from.audit, from.curves);
        let measured = |average: &Option<Average>| {
            let levels_db = average.as_ref()?.levels_db.clone();
            Some(Curve::new(curves.grid.clone(), levels_db))
        };
        let wanted = from.target.curve(&curves.grid).raised(audit.level_db);
        let over_wanted = |average| measured(average).map(|curve: Curve| &curve - &wanted);
        let window = &audit.deviations.window;
        AtHand {
            window: over_wanted(&curves.listening_window),
            axis: over_wanted(&curves.on_axis),
            room: (measured(&curves.in_room).zip(audit.in_room_target.as_ref()))
                .map(|(room, target)| room.map(|at| at.value_db - target.at_db(at.f_hz))),
            smooth_window: window.smoothed(&Smoother::new(window.grid(), EXTREMUM_SMOOTHING_OCT)),
            wish_level_db: from.wish.eq.mean_db(&audit.deviations.weights),
            from,
        }
    }

    fn finding(&self, candidate: &Candidate) -> Finding {
        let grid = &self.from.curves.grid;
        // What is said of the curves can be looked up in their table.
        let peak_hz = match candidate.known.is_none_or(Circumstance::is_about_curves) {
            true => grid.freqs_hz()[grid.nearest(candidate.peak_hz)],
            false => candidate.peak_hz,
        };
        let is_about_angles = candidate.known.is_none();
        let is_hidden = is_about_angles && !self.stands_in_window(peak_hz, candidate.size_db);
        // Where it can be seen its share is no more than what is seen: what lies round it is lower
        // (higher, round a dip) by the rest.
        let covered_db = match is_about_angles && !is_hidden {
            true => self.covered_db(candidate),
            false => 0.0,
        };
        let share = Share {
            candidate,
            covered_db,
        };
        let of_filters = match candidate.known {
            Some(Circumstance::UnitsDiffer { after_db }) => {
                after_db.map_or(0.0, |after_db| 1.0 - (after_db / candidate.size_db).abs())
            }
            _ => share.undone(|f_hz| self.eq_db(f_hz)),
        };
        let wish = &self.from.wish.eq;
        let of_wish = share.undone(|f_hz| wish.at_db(f_hz) - self.wish_level_db);
        let mut finding = Finding {
            from_hz: candidate.band.from_hz.min(peak_hz),
            to_hz: candidate.band.to_hz.max(peak_hz),
            peak_hz,
            measured: self.measured(peak_hz),
            size_db: share.size_db(),
            q: candidate.q,
            spread_db: candidate.spread_db,
            cause: candidate.cause,
            eq_db: self.eq_db(peak_hz),
            undone: of_filters,
            decision: decision(of_filters, of_wish),
            ground: Ground::Together,
            is_hidden,
            inside_hz: None,
            doubt_db: candidate.doubt_db,
            sure: 0.0,
            settle: None,
            witnesses: candidate.witnesses.clone(),
        };
        finding.ground = tested::ground(&finding, candidate, self.from.audit.dip_q_at_most);
        finding
    }

    /// By how much the listening window shows less of a candidate than its own share, dB with the
    /// candidate's sign.
    fn covered_db(&self, candidate: &Candidate) -> f64 {
        let window_db = self.smooth_window.at_db(candidate.peak_hz);
        match window_db * candidate.size_db > 0.0 && window_db.abs() < candidate.size_db.abs() {
            true => candidate.size_db - window_db,
            false => 0.0,
        }
    }

    /// The filters' response, their own level taken out, dB.
    fn eq_db(&self, f_hz: f64) -> f64 {
        let filters = self.from.filters;
        filters.gain_at_db(f_hz) - filters.gain_db - self.from.filters_level_db
    }

    /// What was measured at `f_hz`, before any EQ.
    fn measured(&self, f_hz: f64) -> Measured {
        let is_measured = self.from.curves.grid.band().contains(f_hz);
        let at = |curve: &Option<Curve>| {
            let curve = curve.as_ref().filter(|_| is_measured);
            curve.map(|curve| curve.at_db(f_hz))
        };
        Measured {
            window_db: at(&self.window),
            room_db: at(&self.room),
            axis_db: at(&self.axis),
        }
    }

    /// Whether the listening window has a bump or dip of this sign there.
    fn stands_in_window(&self, f_hz: f64, size_db: f64) -> bool {
        let reach = EXTREMUM_WITHIN_OCT.exp2();
        let range = self.smooth_window.grid().range(f_hz / reach, f_hz * reach);
        let height_db = |i: &usize| self.smooth_window.values_db()[*i] * size_db.signum();
        let top = (range.clone()).max_by(|a, b| height_db(a).total_cmp(&height_db(b)));
        top.is_some_and(|top| top > range.start && top + 1 < range.end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::Witness;
    use crate::curve::{Band, Grid};

    /// A candidate of Q 3 without evidence.
    pub(super) fn candidate(cause: Cause, peak_hz: f64, size_db: f64) -> Candidate {
        let grid = Grid::logarithmic(100.0, 10_000.0, 48.0);
        let own = Curve::of(&grid, |f_hz| {
            size_db * (-(4.0 * (f_hz / peak_hz).log2()).powi(2)).exp()
        });
        Candidate {
            band: Band {
                from_hz: 0.8 * peak_hz,
                to_hz: 1.25 * peak_hz,
            },
            peak_hz,
            size_db,
            own,
            q: Some(3.0),
            spread_db: None,
            movement: None,
            cause,
            known: None,
            doubt_db: 0.0,
            witnesses: Vec::<Witness>::new(),
        }
    }

    /// A finding of Q 3 that stands in window, room and axis alike.
    pub(super) fn finding(cause: Cause, peak_hz: f64, size_db: f64, decision: Decision) -> Finding {
        Finding {
            from_hz: 0.8 * peak_hz,
            to_hz: 1.25 * peak_hz,
            peak_hz,
            measured: Measured {
                window_db: Some(size_db),
                room_db: Some(size_db),
                axis_db: Some(size_db),
            },
            size_db,
            q: Some(3.0),
            spread_db: Some(0.0),
            cause,
            eq_db: 0.0,
            undone: 0.0,
            decision,
            ground: Ground::Together,
            is_hidden: false,
            inside_hz: None,
            doubt_db: 0.1,
            sure: 0.0,
            settle: None,
            witnesses: Vec::new(),
        }
    }
}
