//! How well a speaker takes EQ, as a word with its limits.

/// How well a speaker takes EQ, by the numbers stated with each grade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Audible deviation below [`HARDLY_ANY_DB`] before any EQ.
    NeedsLittle,
    /// Reach of [`REACH_WELL`] or more.
    Well,
    /// Reach between [`REACH_PARTLY`] and [`REACH_WELL`].
    Partly,
    /// Reach below [`REACH_PARTLY`].
    Hardly,
}

impl Grade {
    /// The name used in files.
    pub fn name(self) -> &'static str {
        match self {
            Grade::NeedsLittle => "needs-little",
            Grade::Well => "well",
            Grade::Partly => "partly",
            Grade::Hardly => "hardly",
        }
    }
}

/// Below this audible deviation (dB rms, ERB-rate weighted, mean of listening window and in-room
/// curve) a speaker needs little EQ: the just noticeable difference of level in everyday
/// listening (handbook figure, from memory).
pub const HARDLY_ANY_DB: f64 = 1.0;

/// From this reach on a speaker takes EQ well: two thirds of the deviation energy, which leaves
/// less than 60 % of the deviation in dB. Our own judgement.
pub const REACH_WELL: f64 = 0.66;

/// Below this reach a speaker hardly takes EQ: a third of the energy is less than a fifth of the
/// deviation in dB. Our own judgement.
pub const REACH_PARTLY: f64 = 0.33;

impl Grade {
    /// The grade of a speaker with so much audible deviation before any EQ, dB rms, of whose energy
    /// an ideal EQ would remove the share `reach`.
    pub fn of(deviation_before_db: f64, reach: Option<f64>) -> Grade {
        match reach {
            _ if deviation_before_db < HARDLY_ANY_DB => Grade::NeedsLittle,
            Some(reach) if reach >= REACH_WELL => Grade::Well,
            Some(reach) if reach >= REACH_PARTLY => Grade::Partly,
            _ => Grade::Hardly,
        }
    }
}
