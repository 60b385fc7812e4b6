//! What the wish mends.

use super::candidate::{Candidate, Cause};
use super::component::{Component, sum_of_shapes};
use super::family::Family;
use super::frame::{Frame, weighted_median, weighted_quantile};
use super::stretch::stretches;
use crate::curve::{Band, Curve, Smoother};
use crate::filter::Kind;

/// A corrected bump or dip is spoken of from this size on, dB: it is heard before it is
/// noticed, and the owner sees a filter for it.
const WORTH_CORRECTING_DB: f64 = 0.6;

/// Bumps narrower than this (as Q) are resonances, broader ones, more than an octave, tonal balance.
pub(super) const BALANCE_Q: f64 = 1.2;

/// What stands out of the correction when it is smoothed this widely is tonal balance, octaves.
const BALANCE_OCT: f64 = 1.5;

/// A balance error is spoken of from this size on after that smoothing, dB. Each half of a shelf lies
/// only half its size from the middle.
const BALANCE_DB: f64 = 0.5;

/// And it is no narrower than this, octaves: the width of the trend (`frame::TREND_OCT`).
const BALANCE_LEAST_OCT: f64 = 1.0;

/// The same at an end of the band that is looked at, octaves: what begins there goes on where no one
/// looks, so only a part of it is seen. Our own judgement.
const BALANCE_AT_END_LEAST_OCT: f64 = 0.5;

/// From this share on a broad stretch is the shadow of one bump or dip.
const SHADOW: f64 = 0.6;

/// Less than this share is a correction in part, when what stays is worth speaking of.
const CLEAR_SHARE: f64 = 0.75;

/// From this size on what stays is worth speaking of, dB.
const WORTH_SOFTENING_DB: f64 = 1.0;

/// A component within a larger one of the same sign is its shoulder when it has more than this
/// share of its width, or less of its size; otherwise it is a matter of its own.
const ALIKE: f64 = 1.0 / 3.0;

/// What the plan corrects: the tonal balance, then bumps and dips; neighbours of one sign that
/// overlap are one candidate.
pub(super) fn corrected(
    frame: &Frame,
    components: &[Component],
    wish_db: &[f64],
    family: &Family,
) -> Vec<Candidate> {
    let narrow: Vec<Component> = components
        .iter()
        .copied()
        .filter(|c| c.kind == Kind::Peaking && c.q >= BALANCE_Q)
        .collect();
    let left_db: Vec<f64> = frame
        .window_db
        .iter()
        .zip(wish_db)
        .map(|(d, w)| d + w)
        .collect();
    let middle_db = weighted_median(&left_db, &frame.weights);
    let left_db: Vec<f64> = left_db.iter().map(|d| d - middle_db).collect();
    let groups = groups(&narrow);
    let broad = Smoother::new(&frame.grid, BALANCE_OCT);
    let mut candidates = balance(frame, &broad, wish_db, family);
    candidates.retain(|f| !groups.iter().any(|g| is_shadow_of(f, g, frame, &broad)));
    candidates.extend(
        groups
            .iter()
            .filter_map(|group| local(frame, group, &left_db, family)),
    );
    candidates
}

/// Whether a broad stretch is little more than one bump or dip seen through the smoothing.
fn is_shadow_of(
    broad: &Candidate,
    group: &[Component],
    frame: &Frame,
    smoother: &Smoother,
) -> bool {
    let head = group[0];
    let near = (broad.peak_hz / head.f0_hz).log2().abs() < 0.5 * head.width_oct();
    near && head.size_db * broad.size_db > 0.0 && {
        let shape_db = sum_of_shapes(group, frame.grid.freqs_hz());
        let seen_db = smoother.apply(&shape_db)[frame.grid.nearest(broad.peak_hz)];
        seen_db / broad.size_db >= SHADOW
    }
}

/// Broad stretches of the correction.
fn balance(frame: &Frame, broad: &Smoother, wish_db: &[f64], family: &Family) -> Vec<Candidate> {
    let smooth = broad.apply(wish_db);
    // Midway between the quartiles: both halves of a shelf are told, and one dip is not told again as an
    // excess of everything else.
    let quartile = |share: f64| weighted_quantile(&smooth, &frame.weights, share);
    let middle_db = 0.5 * (quartile(0.25) + quartile(0.75));
    let corrected_db: Vec<f64> = smooth.iter().map(|w| middle_db - w).collect();
    let inside = frame.above_roll_off()..frame.judged.end;
    stretches(&corrected_db, inside.clone(), BALANCE_DB)
        .iter()
        .filter(|stretch| {
            let at_end = stretch.range.start == inside.start || stretch.range.end == inside.end;
            let least_oct = match at_end {
                true => BALANCE_AT_END_LEAST_OCT,
                false => BALANCE_LEAST_OCT,
            };
            stretch.width_oct(&frame.grid) >= least_oct
        })
        .map(|stretch| {
            let (from_hz, to_hz) = stretch.band_hz(&frame.grid);
            let i = stretch.peak;
            Candidate {
                band: Band { from_hz, to_hz },
                peak_hz: frame.grid.freqs_hz()[i],
                size_db: corrected_db[i],
                own: Curve::new(frame.grid.clone(), corrected_db.clone()),
                q: None,
                spread_db: family.spread_at(i),
                movement: None,
                cause: Cause::Balance,
                known: None,
                doubt_db: 0.0,
                witnesses: Vec::new(),
            }
        })
        .collect()
}

/// Components gathered round the largest of each matter.
fn groups(components: &[Component]) -> Vec<Vec<Component>> {
    let mut by_size = components.to_vec();
    by_size.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    // Two whose bands touch are one matter where the curve does not come back between them.
    let one_hump = |a: &Component, b: &Component| {
        let size_db = |f_hz: f64| -> f64 {
            let alike = components.iter().filter(|c| c.size_db * a.size_db > 0.0);
            alike.map(|c| c.shape_db(&[f_hz])[0]).sum::<f64>().abs()
        };
        let between_hz = (a.f0_hz * b.f0_hz).sqrt();
        size_db(between_hz) >= size_db(a.f0_hz).min(size_db(b.f0_hz))
    };
    let mut groups: Vec<Vec<Component>> = Vec::new();
    for component in by_size {
        let home = groups.iter_mut().find(|group| {
            let head = group[0];
            let apart_oct = (component.f0_hz / head.f0_hz).log2().abs();
            let alike = component.width_oct() > ALIKE * head.width_oct()
                || component.size_db.abs() < ALIKE * head.size_db.abs();
            let touching = apart_oct < 0.5 * (head.width_oct() + component.width_oct());
            let inside = apart_oct < 0.5 * head.width_oct();
            head.size_db * component.size_db > 0.0
                && alike
                && (inside || touching && one_hump(&head, &component))
        });
        match home {
            Some(group) => group.push(component),
            None => groups.push(vec![component]),
        }
    }
    groups
}

/// A bump or dip of its own; `None` when it is too small to speak of.
fn local(
    frame: &Frame,
    group: &[Component],
    left_db: &[f64],
    family: &Family,
) -> Option<Candidate> {
    let head = group[0];
    let i = frame.grid.nearest(head.f0_hz);
    let size_db = sum_of_shapes(group, &[head.f0_hz])[0];
    if size_db.abs() < WORTH_CORRECTING_DB {
        return None;
    }
    // What stays of the same sign was not shared, or was deeper than may be filled.
    let left_db = if left_db[i] * size_db > 0.0 {
        left_db[i]
    } else {
        0.0
    };
    let there_db = size_db + left_db;
    let share = size_db / there_db;
    let in_part = share < CLEAR_SHARE && left_db.abs() >= WORTH_SOFTENING_DB;
    let whole = if in_part { 1.0 / share } else { 1.0 };
    let half = (0.5 * head.width_oct()).exp2();
    let shape_db = sum_of_shapes(group, frame.grid.freqs_hz());
    Some(Candidate {
        band: Band {
            from_hz: (head.f0_hz / half).max(frame.grid.first_hz()),
            to_hz: (head.f0_hz * half).min(frame.grid.last_hz()),
        },
        peak_hz: head.f0_hz,
        size_db: whole * size_db,
        own: Curve::new(
            frame.grid.clone(),
            shape_db.iter().map(|s| whole * s).collect(),
        ),
        q: Some(head.q),
        spread_db: family.spread_at(i),
        movement: None,
        cause: if size_db > 0.0 {
            Cause::Resonance
        } else {
            Cause::ShallowDip
        },
        known: None,
        doubt_db: 0.0,
        witnesses: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::tests::{frame_of, with_copy};

    fn peaking(f0_hz: f64, size_db: f64, q: f64) -> Component {
        Component {
            kind: Kind::Peaking,
            f0_hz,
            size_db,
            q,
        }
    }

    /// Causes and frequencies of what is said of a speaker that has nothing but these.
    fn said(components: &[Component]) -> Vec<(Cause, f64)> {
        let response = with_copy(0.0, |_, _| 0.0);
        let deviation_db = sum_of_shapes(components, response.grid().freqs_hz());
        let frame = frame_of(&response.with_gain(&deviation_db));
        let wish_db: Vec<f64> = sum_of_shapes(components, frame.grid.freqs_hz())
            .iter()
            .map(|s| -s)
            .collect();
        corrected(&frame, components, &wish_db, &Family::new(&frame))
            .iter()
            .map(|f| (f.cause, f.peak_hz.round()))
            .collect()
    }

    #[test]
    fn two_of_one_hump_are_one_matter_and_two_humps_are_two() {
        let count = |apart_oct: f64| {
            groups(&[
                peaking(1000.0, 3.0, 3.0),
                peaking(1000.0 * apart_oct.exp2(), 2.0, 3.0),
            ])
            .len()
        };
        // A width of Q 3 is half an octave.
        assert_eq!(count(0.3), 1);
        assert_eq!(count(1.0), 2);
    }

    #[test]
    fn a_dip_is_told_once_and_not_again_as_tonal_balance() {
        let said = said(&[peaking(1000.0, -4.0, 2.0)]);
        assert_eq!(said, [(Cause::ShallowDip, 1000.0)]);
    }

    #[test]
    fn a_bump_wider_than_an_octave_is_tonal_balance_alone() {
        let said = said(&[peaking(1000.0, 4.0, 1.0)]);
        assert!(!said.is_empty());
        assert!(said.iter().all(|s| s.0 == Cause::Balance), "{said:?}");
    }

    #[test]
    fn a_lack_at_the_end_of_the_band_is_balance_though_only_a_part_of_it_is_seen() {
        let shelf = Component {
            kind: Kind::HighShelf,
            f0_hz: 9000.0,
            size_db: -4.0,
            q: std::f64::consts::FRAC_1_SQRT_2,
        };
        let said = said(&[shelf]);
        assert!(
            said.iter().any(|s| s.0 == Cause::Balance && s.1 > 9000.0),
            "{said:?}"
        );
    }

    #[test]
    fn a_lack_under_a_dip_is_told_beside_it() {
        let said = said(&[peaking(1000.0, -2.0, 2.0), peaking(900.0, -4.0, 0.5)]);
        let causes: Vec<Cause> = said.iter().map(|s| s.0).collect();
        assert!(causes.contains(&Cause::Balance), "{said:?}");
        assert!(causes.contains(&Cause::ShallowDip), "{said:?}");
    }
}
