//! What a speaker is to an amplifier.

use super::Impedance;

/// Frequencies that are looked at, Hz: the audible range.
const AUDIBLE_HZ: (f64, f64) = (20.0, 20_000.0);

/// The least impedance against the rated one. Source: IEC 60268-5, rated impedance (80 %; met as
/// a restatement, the standard itself was not opened).
pub const LEAST_SHARE_OF_RATED: f64 = 0.8;

/// Ratings that are usual, ohm (common practice).
const USUAL_OHM: [f64; 6] = [16.0, 8.0, 6.0, 4.0, 3.0, 2.0];

/// A boost below this asks nothing worth speaking of, dB. Our own judgement.
const BOOST_DB: f64 = 0.5;

/// Above this equivalent resistance a load is easy, ohm: an amplifier for 4 ohm meets nothing
/// unusual. Our own judgement.
const EASY_OHM: f64 = 4.0;

/// Below this it is hard, ohm: half of what common amplifiers are made for. Our own judgement.
const HARD_OHM: f64 = 2.0;

/// The resistance that makes the output devices of an ideal class-B stage, rails equal to the
/// peak output, dissipate the same peak power as an impedance of `ohm` (above 0) with
/// `phase_deg` (taken for within -90 and 90).
///
/// `|Z| / (8 sin^3(30 deg + |phi| / 3))`. Source: definition after K. Howard (2007) and
/// E. Benjamin, Audio Power Amplifiers for Loudspeaker Loads, J. Audio Eng. Soc. 42(9), 1994;
/// the closed form follows from `(1 - sin x) sin(x - phi)` at its largest, x = 150 deg + 2 phi/3.
pub fn epdr_ohm(ohm: f64, phase_deg: f64) -> f64 {
    let angle_deg = 30.0 + phase_deg.abs().min(90.0) / 3.0;
    ohm / (8.0 * angle_deg.to_radians().sin().powi(3))
}

/// A resistance at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OhmAt {
    /// Where, Hz.
    pub f_hz: f64,
    /// How much.
    pub ohm: f64,
}

/// Where a plan asks more of the amplifier, and what the load is there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Boosted {
    /// Where the load is hardest among the boosted frequencies, Hz.
    pub f_hz: f64,
    /// The boost there, at the loudness of before, dB.
    pub gain_db: f64,
    /// Magnitude of the impedance there.
    pub ohm: f64,
    /// Equivalent resistance there, where the phase is known.
    pub epdr_ohm: Option<f64>,
}

/// How hard a load is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ease {
    /// Nothing unusual for an amplifier made for 4 ohm.
    Easy,
    /// Between the two.
    Moderate,
    /// Asks for an amplifier made for low impedances.
    Hard,
}

/// What is known of the load.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// The least magnitude in the audible range.
    pub least: OhmAt,
    /// What the maker or owner says it is rated at, ohm.
    pub rated_ohm: Option<f64>,
    /// The highest usual rating that the least magnitude allows; `None` below all.
    pub allows_ohm: Option<f64>,
    /// The least equivalent resistance, where the phase is known.
    pub least_epdr: Option<OhmAt>,
    /// The hardest of the boosted frequencies, when there is one.
    pub boosted: Option<Boosted>,
    /// The verdict.
    pub ease: Ease,
}

impl Load {
    /// Judges an impedance. `boost_db` says what a plan gives more at a frequency in Hz than
    /// before, in dB. `None` when the table has nothing in the audible range.
    pub fn new(
        impedance: &Impedance,
        rated_ohm: Option<f64>,
        boost_db: impl Fn(f64) -> f64,
    ) -> Option<Load> {
        let audible: Vec<usize> = (0..impedance.freqs_hz.len())
            .filter(|i| {
                let f_hz = impedance.freqs_hz[*i];
                (AUDIBLE_HZ.0..=AUDIBLE_HZ.1).contains(&f_hz)
            })
            .collect();
        let epdr_at = |i: usize| {
            let phase_deg = impedance.phase_deg.as_ref()?[i];
            Some(epdr_ohm(impedance.ohm[i], phase_deg))
        };
        let least_of = |places: &[usize], value: &dyn Fn(usize) -> f64| {
            places
                .iter()
                .copied()
                .min_by(|a, b| value(*a).total_cmp(&value(*b)))
                .map(|i| OhmAt {
                    f_hz: impedance.freqs_hz[i],
                    ohm: value(i),
                })
        };
        let hardness = |i: usize| epdr_at(i).unwrap_or(impedance.ohm[i]);
        let least = least_of(&audible, &|i| impedance.ohm[i])?;
        let hardest = least_of(&audible, &hardness)?;
        let boosted = audible
            .iter()
            .copied()
            .filter(|i| boost_db(impedance.freqs_hz[*i]) > BOOST_DB)
            .min_by(|a, b| hardness(*a).total_cmp(&hardness(*b)))
            .map(|i| Boosted {
                f_hz: impedance.freqs_hz[i],
                gain_db: boost_db(impedance.freqs_hz[i]),
                ohm: impedance.ohm[i],
                epdr_ohm: epdr_at(i),
            });
        Some(Load {
            least,
            rated_ohm,
            allows_ohm: USUAL_OHM
                .into_iter()
                .find(|rated| allows(least.ohm, *rated)),
            least_epdr: impedance.phase_deg.as_ref().map(|_| hardest),
            boosted,
            ease: match hardest.ohm {
                ohm if ohm >= EASY_OHM => Ease::Easy,
                ohm if ohm >= HARD_OHM => Ease::Moderate,
                _ => Ease::Hard,
            },
        })
    }

    /// Whether the rating is kept; `None` without one.
    pub fn keeps_rating(&self) -> Option<bool> {
        Some(allows(self.least.ohm, self.rated_ohm?))
    }
}

/// Whether a least magnitude keeps to a rating. What a table holds in decimals may stand on the
/// limit, which binary numbers miss by their last digit.
fn allows(least_ohm: f64, rated_ohm: f64) -> bool {
    least_ohm >= LEAST_SHARE_OF_RATED * rated_ohm * (1.0 - 1e-12)
}
