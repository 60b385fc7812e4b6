//! What the room and the other unit of a pair say to a plan.

use super::contradiction::Contradiction;
use super::situation::Situation;
use crate::{pair, seats};

/// What the room was asked with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RoomAskedWith {
    /// Nothing is corrected below, Hz, as the user said.
    pub from_hz: Option<f64>,
    /// Below this a subwoofer plays whose own list cuts nothing, Hz.
    pub uncut_below_hz: Option<f64>,
    /// Where the anechoic measurement begins to be trusted, Hz.
    pub trusted_from_hz: Option<f64>,
    /// Stages that may correct.
    pub stages: usize,
}

/// A peak that stays by more than this over what was wanted is said first, dB.
const STAYS_DB: f64 = 1.0;

/// A difference from here on is said first, dB: common practice grants units of one kind 3 dB,
/// and this is twice that.
const UNALIKE_DB: f64 = 6.0;

impl Situation {
    /// Takes note of what was decided in the room.
    pub fn take_room(&mut self, room: seats::Decided, with: RoomAskedWith) {
        let transition_hz = room.transition.hz();
        let mut say = |contradiction| self.contradictions.push(contradiction);
        if room.transition.origin() == seats::Origin::Assumed {
            say(Contradiction::TransitionAssumed { transition_hz });
        }
        if transition_hz > seats::USUAL_AT_MOST_HZ {
            say(Contradiction::TransitionHigh { transition_hz });
        }
        if let Some(trusted_from_hz) = with.trusted_from_hz
            && trusted_from_hz > transition_hz * (1.0 + 1e-9)
        {
            say(Contradiction::TransitionBelowTrusted {
                transition_hz,
                trusted_from_hz,
            });
        }
        if let Some(coverage) = room.coverage {
            let zone_from_hz = coverage.zone_hz.0;
            if let Some(from_hz) = with.from_hz.filter(|from_hz| *from_hz > zone_from_hz) {
                say(Contradiction::FromWithinRoom {
                    from_hz,
                    transition_hz,
                });
            }
            if let Some(sub_hz) = with.uncut_below_hz.filter(|sub_hz| *sub_hz > zone_from_hz) {
                say(Contradiction::SubWithinRoom { sub_hz });
            }
            if coverage.is_used() {
                if coverage.is_short() {
                    say(Contradiction::SeatsShort { coverage });
                }
                if let Some(points_per_octave) = coverage.coarse_per_octave() {
                    say(Contradiction::SeatsCoarse { points_per_octave });
                }
                if coverage.seats == 1 {
                    say(Contradiction::OneSeat);
                }
            } else {
                say(Contradiction::SeatsElsewhere { coverage });
            }
        }
        let peaks_hz: Vec<f64> = room
            .outcome
            .iter()
            .flat_map(|outcome| &outcome.peaks)
            .filter(|peak| peak.short_db() > STAYS_DB)
            .map(|peak| peak.peak.f0_hz)
            .collect();
        if !peaks_hz.is_empty() {
            say(Contradiction::SharedPeaksStay {
                peaks_hz,
                stages: with.stages,
            });
        }
        self.room = Some(room);
    }

    /// Takes note of how two units match.
    pub fn take_pair(&mut self, pair: pair::Decided) {
        let pair::Common {
            common_hz, lacking, ..
        } = pair.common;
        let mut say = |contradiction| self.contradictions.push(contradiction);
        if pair.common.same_numbers {
            say(Contradiction::UnitsHoldTheSame);
        }
        if pair.common.angles_of_one {
            say(Contradiction::AnglesOfOneUnit);
        }
        if pair.common.is_shorter || lacking > 0 {
            say(Contradiction::UnitsShowLess { common_hz, lacking });
        }
        if let Some((at_hz, difference_db)) = pair.matched.largest()
            && difference_db >= UNALIKE_DB
        {
            say(Contradiction::UnitsUnalike {
                difference_db,
                at_hz,
            });
        }
        self.pair = Some(pair);
    }
}
