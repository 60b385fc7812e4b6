//! What can be wrong with a loudspeaker, each as its own piece of physics.

use super::analog::Filter;

/// The kinds of defect. How one is built is in [`Fault`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DefectKind {
    /// A resonance of a driver or of the box.
    Resonance,
    /// A broad tonal error.
    Balance,
    /// A broad shallow dip that all angles share.
    ShallowDip,
    /// A port or other second source that cancels a driver towards the front.
    Cancellation,
    /// Drivers out of phase at a crossover.
    CrossoverPhase,
    /// A driver that beams before the next one takes over.
    DirectivityStep,
    /// Diffraction at the edges, coherent on one axis only.
    SingleAxisRipple,
    /// A comb null from a near reflection.
    DeepNull,
}

impl DefectKind {
    /// All kinds.
    pub const ALL: [DefectKind; 8] = [
        DefectKind::Resonance,
        DefectKind::Balance,
        DefectKind::ShallowDip,
        DefectKind::Cancellation,
        DefectKind::CrossoverPhase,
        DefectKind::DirectivityStep,
        DefectKind::SingleAxisRipple,
        DefectKind::DeepNull,
    ];

    /// Lower-case name.
    pub fn name(self) -> &'static str {
        match self {
            DefectKind::Resonance => "resonance",
            DefectKind::Balance => "balance",
            DefectKind::ShallowDip => "shallow dip",
            DefectKind::Cancellation => "cancellation",
            DefectKind::CrossoverPhase => "crossover phase",
            DefectKind::DirectivityStep => "directivity step",
            DefectKind::SingleAxisRipple => "single-axis ripple",
            DefectKind::DeepNull => "deep null",
        }
    }

    /// Whether all angles share it, so that one filter mends it.
    pub fn is_correctable(self) -> bool {
        matches!(
            self,
            DefectKind::Resonance | DefectKind::Balance | DefectKind::ShallowDip
        )
    }
}

/// Where a filter-like fault sits in the signal's way.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub enum Place {
    /// In the path of one driver, counted from the lowest.
    Driver(usize),
    /// In front of everything: all angles get exactly the same.
    Whole,
}

/// A second source on the sphere that radiates a band of a driver's signal.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SecondSource {
    /// The driver whose signal leaks out, counted from the lowest.
    pub driver: usize,
    /// Height angle on the sphere, degrees, up positive.
    pub elevation_deg: f64,
    /// Side angle on the sphere, degrees; 180 is the back.
    pub azimuth_deg: f64,
    /// Radius of the opening or panel, m.
    pub radius_m: f64,
    /// Strength at the centre of the band: its pressure as a bare point source relative to the
    /// driver's pressure on the reference axis. What arrives there is more or less, as the box
    /// throws its shadow.
    pub level: f64,
    /// Centre of the band, Hz.
    pub f_hz: f64,
    /// Q of the band.
    pub q: f64,
    /// Own delay, s.
    pub delay_s: f64,
    /// Opposite polarity to the driver.
    pub inverted: bool,
}

/// How a defect is built.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub enum Fault {
    /// A minimum-phase change in the signal's way.
    Filter(Filter, Place),
    /// A second source on the box.
    Source(SecondSource),
    /// A driver that comes late (or early), or with the wrong polarity.
    Offset {
        /// The driver, counted from the lowest.
        driver: usize,
        /// Delay, s; below 0 when it comes early.
        delay_s: f64,
        /// Opposite polarity.
        inverted: bool,
    },
    /// A driver larger than suits its crossover, voiced as flat on axis as the suitable one.
    WideDriver {
        /// The driver, counted from the lowest.
        driver: usize,
        /// Its radius, m, in place of the one in the design.
        radius_m: f64,
    },
    /// Edges at one distance around a driver: weaker, inverted, delayed copies that arrive
    /// together on the reference axis and apart elsewhere.
    Edge {
        /// The driver, counted from the lowest.
        driver: usize,
        /// Distance to the edges, m.
        distance_m: f64,
        /// Sum of the copies relative to the direct sound where the driver radiates to the
        /// side as strongly as to the front.
        strength: f64,
        /// Relative share of each piece of edge, evenly spaced round the axis, from the right
        /// (positive horizontal) over the top.
        shares: Vec<f64>,
    },
    /// One object close by that throws a band of the sound back.
    Reflection {
        /// Where it stands, m from the centre of the box: front, side, up.
        place_m: [f64; 3],
        /// Reflected to direct sound at the centre of the band on the reference axis.
        strength: f64,
        /// Centre of the band, Hz.
        f_hz: f64,
        /// Q of the band.
        q: f64,
    },
}

/// One defect.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Defect {
    /// Its kind.
    pub kind: DefectKind,
    /// Where its effect sits, Hz.
    pub f_hz: f64,
    /// How it is built.
    pub fault: Fault,
}
