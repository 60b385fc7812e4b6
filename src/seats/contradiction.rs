//! What was asked of the room and the measurements do not bear out.

use super::transition::{Origin, Transition, USUAL_AT_MOST_HZ};
use crate::audit::spoken_hz;
use std::fmt;

/// One contradiction, with the numbers that disagree.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Contradiction {
    /// Nobody judges what lies between transition and trust.
    Gap {
        /// The transition, Hz.
        transition_hz: f64,
        /// Where the anechoic measurement begins to be trusted, Hz.
        trusted_from_hz: f64,
    },
    /// The seats do not cover the zone.
    SeatsShort {
        /// The zone, Hz.
        zone_hz: (f64, f64),
        /// What the seats cover, Hz.
        seats_hz: (f64, f64),
    },
    /// The seats have nothing in the zone.
    SeatsElsewhere {
        /// The transition, Hz.
        transition_hz: f64,
        /// What the seats cover, Hz.
        seats_hz: (f64, f64),
    },
    /// Too few points to show a mode.
    SeatsCoarse {
        /// Points per octave within the zone.
        points_per_octave: f64,
    },
    /// One seat has nothing to share.
    OneSeat,
    /// No transition was stated.
    Assumed {
        /// What is taken, Hz.
        transition_hz: f64,
    },
    /// The transition is higher than the trade uses the word.
    HighTransition {
        /// The transition, Hz.
        transition_hz: f64,
    },
    /// The user corrects nothing below a frequency that lies within or above the zone.
    From {
        /// That frequency, Hz.
        from_hz: f64,
        /// The transition, Hz.
        transition_hz: f64,
    },
    /// The seats were measured with the speaker turned as it stands there.
    Aim {
        /// The aim, degrees.
        aim_deg: f64,
    },
    /// The device cannot follow a cut.
    DeviceShort {
        /// Peaks that stay more than they should, Hz.
        peaks_hz: Vec<f64>,
        /// Stages the device gives to all.
        stages: usize,
    },
}

impl fmt::Display for Contradiction {
    /// One sentence without a final period.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Contradiction::Gap {
                transition_hz,
                trusted_from_hz,
            } => write!(
                f,
                "the room decides below {}, the anechoic measurement is trusted from {}: between them nobody judges, and nothing is corrected there",
                spoken_hz(*transition_hz),
                spoken_hz(*trusted_from_hz)
            ),
            Contradiction::SeatsShort { zone_hz, seats_hz } => write!(
                f,
                "the seats were measured from {} to {} and do not cover the room's zone from {} to {}: what they do not show is left as it is",
                spoken_hz(seats_hz.0),
                spoken_hz(seats_hz.1),
                spoken_hz(zone_hz.0),
                spoken_hz(zone_hz.1)
            ),
            Contradiction::SeatsElsewhere {
                transition_hz,
                seats_hz,
            } => write!(
                f,
                "the seats were measured from {} to {} and say too little of the zone below the transition at {}: they were not used, and the zone is left as it is",
                spoken_hz(seats_hz.0),
                spoken_hz(seats_hz.1),
                spoken_hz(*transition_hz)
            ),
            Contradiction::SeatsCoarse { points_per_octave } => write!(
                f,
                "the seats have {points_per_octave:.0} points per octave below the transition: modes narrower than that are blurred or missed; 24 or more would show them"
            ),
            Contradiction::OneSeat => f.write_str(
                "one seat cannot show what seats share: its peaks are cut as if all seats had them",
            ),
            Contradiction::Assumed { transition_hz } => write!(
                f,
                "no transition was stated; {} is taken, the middle of what homes show. --transition, or --room-volume with --rt60, says better",
                spoken_hz(*transition_hz)
            ),
            Contradiction::HighTransition { transition_hz } => write!(
                f,
                "a transition of {} is higher than what rooms show (200 to 500 Hz): so high, a cut that suits the seats takes from the direct sound too",
                spoken_hz(*transition_hz)
            ),
            Contradiction::From {
                from_hz,
                transition_hz,
            } => write!(
                f,
                "--from {from_hz} leaves {} of the room's zone below {} untouched",
                if from_hz < transition_hz {
                    "the lower part"
                } else {
                    "all"
                },
                spoken_hz(*transition_hz)
            ),
            Contradiction::Aim { aim_deg } => write!(
                f,
                "the aim of {aim_deg} degrees forms the curves above the transition only; the seats hold for the speaker as it stood when they were measured"
            ),
            Contradiction::DeviceShort { peaks_hz, stages } => {
                let peaks: Vec<String> = peaks_hz.iter().map(|p| spoken_hz(*p)).collect();
                write!(
                    f,
                    "with {stages} stages of this device {} that the seats share {} more than 1 dB over what was wanted: {}",
                    if peaks.len() == 1 { "a peak" } else { "peaks" },
                    if peaks.len() == 1 { "stays" } else { "stay" },
                    peaks.join(", ")
                )
            }
        }
    }
}

/// What can be said of a transition alone.
pub(super) fn of_transition(transition: &Transition) -> Vec<Contradiction> {
    let transition_hz = transition.hz();
    let mut all = Vec::new();
    if transition.origin() == Origin::Assumed {
        all.push(Contradiction::Assumed { transition_hz });
    }
    if transition_hz > USUAL_AT_MOST_HZ {
        all.push(Contradiction::HighTransition { transition_hz });
    }
    all
}
