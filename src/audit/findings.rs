//! From the wish and what it leaves to findings: what, where, how large, why.

use super::component::{Component, DipLimits, q_of_width};
use super::consensus::Consensus;
use super::finding::{Cause, Decision, Finding, Ground};
use super::frame::{Frame, Who};
use super::mean_and_spread;
use crate::curve::Smoother;
use crate::filter::Kind;
use crate::response::Orbit;

/// What is smaller in every curve is not spoken of, dB: about the just noticeable difference of
/// level in everyday listening (1 dB, handbook figure, from memory).
const WORTH_SAYING_DB: f64 = 1.0;

/// A corrected bump or dip is spoken of from this size on, dB: it is heard before it is
/// noticed, and the owner sees a filter for it.
const WORTH_CORRECTING_DB: f64 = 0.6;

/// Bumps narrower than this (as Q) are resonances, broader ones tonal balance.
const BALANCE_Q: f64 = 0.9;

/// Smoothing before what is left is searched for bumps and dips, octaves: takes out measuring
/// noise and keeps a null of Q 10.
const SEARCH_OCT: f64 = 1.0 / 12.0;

/// What is wider than this and different in the room is a matter of directivity, octaves.
const DIRECTIVITY_OCT: f64 = 0.7;

/// Shares from the first on are full correction, below the second none.
const CLEAR_SHARE: (f64, f64) = (0.75, 0.25);

/// All findings, by ascending frequency.
pub(super) fn all(
    frame: &Frame,
    components: &[Component],
    consensus: &Consensus,
    wish_db: &[f64],
    dips: DipLimits,
) -> Vec<Finding> {
    let family = Family::new(frame);
    let mut findings = corrected(frame, components, consensus, &family);
    findings.extend(left_alone(frame, wish_db, dips, &family));
    findings.extend(low_edge(frame));
    findings.extend(high_edge(frame));
    findings.sort_by(|a, b| a.peak_hz.total_cmp(&b.peak_hz));
    findings
}

/// The family's curves that findings are read from.
struct Family {
    /// Deviation of the reference axis, dB, where it was measured.
    axis_db: Option<Vec<f64>>,
    /// Standard deviation of the local deviations: over all, the horizontal, the vertical orbit.
    spread_db: [Vec<f64>; 3],
}

impl Family {
    fn new(frame: &Frame) -> Family {
        let search = Smoother::new(&frame.grid, SEARCH_OCT);
        let trend = Smoother::new(&frame.grid, super::frame::TREND_OCT);
        let axis_db = frame
            .members
            .iter()
            .find(|m| match m.who {
                Who::Angle(d) => d.off_axis_deg() < 1.0,
                who => who == Who::OnAxis,
            })
            .map(|m| {
                let axis: Vec<f64> = m
                    .relative_db
                    .iter()
                    .zip(&frame.window_db)
                    .map(|(r, w)| r + w)
                    .collect();
                search.apply(&axis)
            });
        let local: Vec<Vec<f64>> = frame
            .members
            .iter()
            .map(|m| {
                let smooth = search.apply(&m.relative_db);
                smooth
                    .iter()
                    .zip(trend.apply(&smooth))
                    .map(|(v, t)| v - t)
                    .collect()
            })
            .collect();
        let spread = |orbit: Option<Orbit>| -> Vec<f64> {
            (0..frame.grid.len())
                .map(|i| {
                    let part: Vec<(f64, f64)> = frame
                        .members
                        .iter()
                        .zip(&local)
                        .filter(|(m, _)| match (orbit, m.who) {
                            (None, _) => true,
                            (Some(orbit), Who::Angle(d)) => d.orbit() == orbit,
                            _ => false,
                        })
                        .map(|(m, local)| (local[i], m.shares[i]))
                        .collect();
                    mean_and_spread(&part).map_or(0.0, |p| p.1)
                })
                .collect()
        };
        Family {
            axis_db,
            spread_db: [
                spread(None),
                spread(Some(Orbit::Horizontal)),
                spread(Some(Orbit::Vertical)),
            ],
        }
    }

    fn spread_at(&self, frame: &Frame, i: usize) -> Option<f64> {
        (!frame.members.is_empty()).then(|| self.spread_db[0][i])
    }
}

/// A component within a larger one of the same sign is its shoulder when it has more than this
/// share of its width, or less of its size; otherwise it is a matter of its own.
const ALIKE: f64 = 1.0 / 3.0;

/// Components that the plan corrects; neighbours of one sign that overlap are one finding.
fn corrected(
    frame: &Frame,
    components: &[Component],
    consensus: &Consensus,
    family: &Family,
) -> Vec<Finding> {
    let mut sorted = components.to_vec();
    sorted.sort_by(|a, b| b.size_db.abs().total_cmp(&a.size_db.abs()));
    let mut groups: Vec<Vec<Component>> = Vec::new();
    for component in sorted {
        let home = groups.iter_mut().find(|group| {
            let head = group[0];
            let apart_oct = (component.f0_hz / head.f0_hz).log2().abs();
            let alike = component.width_oct() > ALIKE * head.width_oct()
                || component.size_db.abs() < ALIKE * head.size_db.abs();
            head.size_db * component.size_db > 0.0
                && head.kind == component.kind
                && apart_oct < 0.5 * head.width_oct()
                && alike
        });
        match home {
            Some(group) => group.push(component),
            None => groups.push(vec![component]),
        }
    }
    groups
        .iter()
        .filter_map(|group| {
            let head = group[0];
            let i = frame.grid.nearest(head.f0_hz);
            let size_db: f64 = match head.kind {
                Kind::Peaking => group.iter().map(|c| c.shape_db(&[head.f0_hz])[0]).sum(),
                _ => group.iter().map(|c| c.size_db).sum(),
            };
            if size_db.abs() < WORTH_CORRECTING_DB {
                return None;
            }
            let broad = head.kind != Kind::Peaking || head.q < BALANCE_Q;
            let cause = match (broad, size_db > 0.0) {
                (true, _) => Cause::Balance,
                (false, true) => Cause::Resonance,
                (false, false) => Cause::ShallowDip,
            };
            // A dip deeper than may be filled is filled in part.
            let there_db = consensus.deviation_db[i];
            let share = if there_db * size_db > 0.0 && size_db < 0.0 {
                (size_db / there_db).clamp(0.0, 1.0)
            } else {
                1.0
            };
            let soften = share < CLEAR_SHARE.0 && consensus.trust[i] > 0.5 && !broad;
            let half = (0.5 * head.width_oct()).exp2();
            Some(Finding {
                from_hz: (head.f0_hz / half).max(frame.grid.first_hz()),
                to_hz: (head.f0_hz * half).min(frame.grid.last_hz()),
                peak_hz: head.f0_hz,
                size_db: if soften { there_db } else { size_db },
                in_room_size_db: frame
                    .in_room_known
                    .then(|| size_db + frame.in_room_db[i] - frame.window_db[i]),
                q: Some(head.q),
                spread_db: family.spread_at(frame, i),
                cause,
                decision: if soften {
                    Decision::Soften
                } else {
                    Decision::Correct
                },
                share: if soften { share } else { 1.0 },
                ground: Ground::Shared,
            })
        })
        .collect()
}

/// A stretch of one curve that stands out.
struct Stretch {
    range: std::ops::Range<usize>,
    peak: usize,
}

/// Stretches in which `values` exceeds `least_db` in size with one sign, grown to half of their
/// peak on both sides.
fn stretches(values: &[f64], within: std::ops::Range<usize>, least_db: f64) -> Vec<Stretch> {
    let mut found = Vec::new();
    let mut i = within.start;
    while i < within.end {
        if values[i].abs() < least_db {
            i += 1;
            continue;
        }
        let sign = values[i].signum();
        let mut end = i;
        let mut peak = i;
        while end < within.end && values[end] * sign >= 0.5 * values[peak].abs().max(least_db) {
            if values[end].abs() > values[peak].abs() {
                peak = end;
            }
            end += 1;
        }
        let half = 0.5 * values[peak].abs();
        let mut start = peak;
        while start > within.start && values[start - 1] * sign >= half {
            start -= 1;
        }
        found.push(Stretch {
            range: start..end.max(peak + 1),
            peak,
        });
        i = end.max(i + 1);
    }
    found
}

/// What stays wrong in the listening window, in the room, and on the axis.
fn left_alone(frame: &Frame, wish_db: &[f64], dips: DipLimits, family: &Family) -> Vec<Finding> {
    let search = Smoother::new(&frame.grid, SEARCH_OCT);
    let with_wish = |values: &[f64]| -> Vec<f64> {
        let left: Vec<f64> = values.iter().zip(wish_db).map(|(v, w)| v + w).collect();
        let smooth = search.apply(&left);
        // Level is free: the middle of what is left is zero.
        let middle = super::consensus::weighted_median(
            smooth
                .iter()
                .copied()
                .zip(frame.weights.iter().copied())
                .collect(),
        );
        smooth.iter().map(|v| v - middle).collect()
    };
    let window_db = with_wish(&frame.window_db);
    let room_db = with_wish(&frame.in_room_db);
    let axis_db = family.axis_db.as_ref().map(|axis| with_wish(axis));
    let band = beside_roll_off(frame);
    let mut findings: Vec<Finding> = Vec::new();
    let place = |stretch: &Stretch| {
        let freqs_hz = frame.grid.freqs_hz();
        let (from_hz, to_hz) = (
            freqs_hz[stretch.range.start],
            freqs_hz[stretch.range.end - 1],
        );
        let width_oct = (to_hz / from_hz).log2().max(1.0 / 48.0);
        (from_hz, to_hz, freqs_hz[stretch.peak], width_oct)
    };
    let free = |findings: &[Finding], peak_hz: f64| {
        !findings
            .iter()
            .any(|f| (f.from_hz..=f.to_hz).contains(&peak_hz))
    };

    for stretch in stretches(&window_db, band.clone(), WORTH_SAYING_DB) {
        let (from_hz, to_hz, peak_hz, width_oct) = place(&stretch);
        let i = stretch.peak;
        let (size, room) = (window_db[i], room_db[i]);
        let q = q_of_width(width_oct);
        let axis = axis_db.as_ref().map(|axis| axis[i]);
        let [spread, horizontal, vertical] = [0, 1, 2].map(|k| family.spread_db[k][i]);
        let (cause, ground) = if let Some(on_axis_db) = axis
            && on_axis_db / size > 2.0
            && (room / size) < 0.5
        {
            (Cause::SingleAxis, Ground::OnTheAxisOnly { on_axis_db })
        } else if width_oct > DIRECTIVITY_OCT && room / size > 1.0 {
            (Cause::Directivity, Ground::AnglesDisagree)
        } else if frame.averages_only {
            (Cause::Cancellation, Ground::AveragesOnly)
        } else if room / size < 0.3 {
            (Cause::Cancellation, Ground::NotInTheRoom)
        } else if vertical > 2.0 * horizontal && vertical > 1.0 {
            (Cause::Cancellation, Ground::VerticalAnglesDisagree)
        } else if spread > 0.5 * size.abs() || size > 0.0 {
            (Cause::Cancellation, Ground::AnglesDisagree)
        } else if -size > dips.depth_at_most_db {
            let limit_db = dips.depth_at_most_db;
            (Cause::Cancellation, Ground::TooDeep { limit_db })
        } else {
            let limit_q = dips.q_at_most;
            (Cause::Cancellation, Ground::TooNarrow { limit_q })
        };
        findings.push(Finding {
            from_hz,
            to_hz,
            peak_hz,
            size_db: size,
            in_room_size_db: frame.in_room_known.then_some(room),
            q: Some(q),
            spread_db: family.spread_at(frame, i),
            cause,
            decision: Decision::Leave,
            share: 0.0,
            ground,
        });
    }
    if let Some(axis_db) = &axis_db {
        for stretch in stretches(axis_db, band.clone(), 1.5 * WORTH_SAYING_DB) {
            let (from_hz, to_hz, peak_hz, width_oct) = place(&stretch);
            let i = stretch.peak;
            if !free(&findings, peak_hz) || width_oct > DIRECTIVITY_OCT {
                continue;
            }
            findings.push(Finding {
                from_hz,
                to_hz,
                peak_hz,
                size_db: window_db[i],
                in_room_size_db: frame.in_room_known.then_some(room_db[i]),
                q: Some(q_of_width(width_oct)),
                spread_db: family.spread_at(frame, i),
                cause: Cause::SingleAxis,
                decision: Decision::Leave,
                share: 0.0,
                ground: Ground::OnTheAxisOnly {
                    on_axis_db: axis_db[i],
                },
            });
        }
    }
    if frame.in_room_known {
        for stretch in stretches(&room_db, band, WORTH_SAYING_DB) {
            let (from_hz, to_hz, peak_hz, width_oct) = place(&stretch);
            if !free(&findings, peak_hz) {
                continue;
            }
            let i = stretch.peak;
            findings.push(Finding {
                from_hz,
                to_hz,
                peak_hz,
                size_db: window_db[i],
                in_room_size_db: Some(room_db[i]),
                q: Some(q_of_width(width_oct)),
                spread_db: family.spread_at(frame, i),
                cause: Cause::Directivity,
                decision: Decision::Leave,
                share: 0.0,
                ground: Ground::OnlyInTheRoom,
            });
        }
    }
    findings
}

/// The judged band without an octave inside the corners: there, what is left is roll-off.
fn beside_roll_off(frame: &Frame) -> std::ops::Range<usize> {
    let start = frame
        .corner_hz
        .map_or(0, |corner_hz| frame.grid.nearest(2.0 * corner_hz));
    let end = frame.high_corner_hz.map_or(frame.grid.len(), |corner_hz| {
        frame.grid.nearest(0.5 * corner_hz)
    });
    let start = start.max(frame.judged.start);
    start..end.min(frame.judged.end).max(start)
}

fn low_edge(frame: &Frame) -> Option<Finding> {
    let corner_hz = frame.corner_hz?;
    Some(Finding {
        from_hz: frame.grid.first_hz(),
        to_hz: corner_hz,
        peak_hz: frame.grid.first_hz(),
        size_db: frame.window_db[0],
        in_room_size_db: frame.in_room_known.then(|| frame.in_room_db[0]),
        q: None,
        spread_db: None,
        cause: Cause::BandEdge,
        decision: Decision::Leave,
        share: 0.0,
        ground: Ground::BelowCorner { corner_hz },
    })
}

fn high_edge(frame: &Frame) -> Option<Finding> {
    let limit_hz = frame
        .trusted_to_hz
        .filter(|limit| *limit < frame.grid.last_hz())?;
    let last = frame.grid.len() - 1;
    Some(Finding {
        from_hz: limit_hz,
        to_hz: frame.grid.last_hz(),
        peak_hz: frame.grid.last_hz(),
        size_db: frame.window_db[last],
        in_room_size_db: frame.in_room_known.then(|| frame.in_room_db[last]),
        q: None,
        spread_db: None,
        cause: Cause::BandEdge,
        decision: Decision::Leave,
        share: 0.0,
        ground: Ground::NotTrusted { limit_hz },
    })
}
