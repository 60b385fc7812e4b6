//! What else a device can take the number Q for.
//!
//! Each reading turns the number in the list into the cookbook Q that has the same effect. The
//! readings are the ones met in practice (common practice); their formulas are algebra on the
//! prototypes of the W3C Audio EQ Cookbook, whose letters are used: `A = 10^(gain/40)`.

use crate::filter::{Kind, Stage};
use crate::units::{q_of_width_oct, width_oct_of_q};
use std::f64::consts::{PI, SQRT_2};

/// One other definition of Q.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QReading {
    /// The number is taken for a bandwidth in octaves between midpoint-gain frequencies.
    BandwidthOctaves,
    /// The same with the cookbook's correction for the digital frequency axis.
    BandwidthOctavesWarped,
    /// The device wants a bandwidth and got it from a Q, or the other way round twice.
    BandwidthOfQ,
    /// Q of the poles: bandwidth between the -3 dB points of a large boost; cuts narrow.
    OfPoles,
    /// Q of the zeros: the same of a large cut; boosts narrow.
    OfZeros,
    /// Q of the poles of a boost and of the zeros of a cut: boost and cut mirror each other,
    /// both wider than the cookbook's.
    ConstantMinus3Db,
    /// The reverse of it: both narrower than the cookbook's.
    Proportional,
    /// As [`QReading::ConstantMinus3Db`], by half as many decibels.
    HalfConstantMinus3Db,
    /// As [`QReading::Proportional`], by half as many decibels.
    HalfProportional,
    /// The number is taken for a shelf slope S.
    ShelfSlope,
    /// The device wants Q and the number is turned into the slope that has it.
    SlopeOfQ,
    /// 1 stands for the maximally flat Q of 0.7071.
    ButterworthIsOne,
    /// The reverse of it.
    ButterworthIsHalf,
    /// The number is taken for a damping ratio, `1 / (2 Q)`.
    Damping,
    /// Half the Q: a bandwidth that counts one side of the centre only.
    HalfBandwidth,
    /// Twice the Q.
    DoubleBandwidth,
}

/// Which stages a reading concerns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// All that it has a meaning for.
    All,
    /// Peaking stages only.
    Peaking,
    /// Shelves only.
    Shelves,
}

impl QReading {
    /// All readings.
    pub const ALL: [QReading; 16] = [
        QReading::BandwidthOctaves,
        QReading::BandwidthOctavesWarped,
        QReading::BandwidthOfQ,
        QReading::OfPoles,
        QReading::OfZeros,
        QReading::ConstantMinus3Db,
        QReading::Proportional,
        QReading::HalfConstantMinus3Db,
        QReading::HalfProportional,
        QReading::ShelfSlope,
        QReading::SlopeOfQ,
        QReading::ButterworthIsOne,
        QReading::ButterworthIsHalf,
        QReading::Damping,
        QReading::HalfBandwidth,
        QReading::DoubleBandwidth,
    ];

    /// Short name, lower case.
    pub fn name(self) -> &'static str {
        match self {
            QReading::BandwidthOctaves => "bandwidth-in-octaves",
            QReading::BandwidthOctavesWarped => "bandwidth-in-octaves-warped",
            QReading::BandwidthOfQ => "bandwidth-of-q",
            QReading::OfPoles => "pole-q",
            QReading::OfZeros => "zero-q",
            QReading::ConstantMinus3Db => "minus-3-db-bandwidth",
            QReading::Proportional => "proportional",
            QReading::HalfConstantMinus3Db => "half-minus-3-db-bandwidth",
            QReading::HalfProportional => "half-proportional",
            QReading::ShelfSlope => "shelf-slope",
            QReading::SlopeOfQ => "slope-of-q",
            QReading::ButterworthIsOne => "butterworth-is-one",
            QReading::ButterworthIsHalf => "butterworth-is-half",
            QReading::Damping => "damping",
            QReading::HalfBandwidth => "half-bandwidth",
            QReading::DoubleBandwidth => "double-bandwidth",
        }
    }

    /// The cookbook Q of `stage` at `rate_hz` when its number is read so; `None` where the
    /// reading has no meaning for its type or gives no filter.
    pub fn cookbook_q(self, stage: &Stage, rate_hz: f64) -> Option<f64> {
        let q = stage.q;
        let is_shelf = matches!(stage.kind, Kind::LowShelf | Kind::HighShelf);
        let is_peaking = stage.kind == Kind::Peaking;
        // Ratio of the Q of the poles of a boost to the cookbook's.
        let a = 10f64.powf(stage.gain_db / 40.0);
        let a_of_boost = 10f64.powf(stage.gain_db.abs() / 40.0);
        let w0 = 2.0 * PI * stage.f0_hz / rate_hz;
        // Cookbook: a digital stage of BW octaves has the Q of BW * w0 / sin w0.
        // Cookbook: 1/Q = sqrt((A + 1/A) (1/S - 1) + 2).
        let sum = a + 1.0 / a;
        let read = match self {
            QReading::BandwidthOctaves if !is_shelf => q_of_width_oct(q),
            QReading::BandwidthOctavesWarped if !is_shelf => q_of_width_oct(q * w0 / w0.sin()),
            QReading::BandwidthOfQ if !is_shelf => width_oct_of_q(q),
            QReading::OfPoles if is_peaking => q / a,
            QReading::OfZeros if is_peaking => q * a,
            QReading::ConstantMinus3Db if is_peaking => q / a_of_boost,
            QReading::Proportional if is_peaking => q * a_of_boost,
            QReading::HalfConstantMinus3Db if is_peaking => q / a_of_boost.sqrt(),
            QReading::HalfProportional if is_peaking => q * a_of_boost.sqrt(),
            QReading::ShelfSlope if is_shelf => 1.0 / (sum * (1.0 / q - 1.0) + 2.0).sqrt(),
            QReading::SlopeOfQ if is_shelf => 1.0 / ((1.0 / (q * q) - 2.0) / sum + 1.0),
            QReading::ButterworthIsOne => q / SQRT_2,
            QReading::ButterworthIsHalf => q * SQRT_2,
            QReading::Damping => 0.5 / q,
            QReading::HalfBandwidth => 0.5 * q,
            QReading::DoubleBandwidth => 2.0 * q,
            _ => return None,
        };
        // Beyond these limits no box would run the stage.
        (read.is_finite() && (0.01..=1000.0).contains(&read)).then_some(read)
    }

    /// Whether `scope` adds anything to the reading: one that has a meaning for one type only
    /// needs no narrower scope.
    pub fn takes(self, scope: Scope) -> bool {
        match self {
            QReading::OfPoles
            | QReading::OfZeros
            | QReading::ConstantMinus3Db
            | QReading::Proportional
            | QReading::HalfConstantMinus3Db
            | QReading::HalfProportional
            | QReading::ShelfSlope
            | QReading::SlopeOfQ => scope == Scope::All,
            QReading::BandwidthOctaves
            | QReading::BandwidthOctavesWarped
            | QReading::BandwidthOfQ => scope != Scope::Shelves,
            QReading::ButterworthIsOne
            | QReading::ButterworthIsHalf
            | QReading::Damping
            | QReading::HalfBandwidth
            | QReading::DoubleBandwidth => true,
        }
    }
}

impl Scope {
    /// Whether stages of this type belong to it.
    pub fn holds(self, kind: Kind) -> bool {
        match self {
            Scope::All => true,
            Scope::Peaking => kind == Kind::Peaking,
            Scope::Shelves => matches!(kind, Kind::LowShelf | Kind::HighShelf),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stage(kind: Kind, gain_db: f64, q: f64) -> Stage {
        Stage {
            kind,
            f0_hz: 1000.0,
            gain_db,
            q,
        }
    }

    #[test]
    fn one_octave_is_a_q_of_the_square_root_of_two() {
        // Textbook value: Q = sqrt(2^n) / (2^n - 1), n = 1.
        let q = QReading::BandwidthOctaves
            .cookbook_q(&stage(Kind::Peaking, 6.0, 1.0), 48000.0)
            .unwrap();
        assert!((q - SQRT_2).abs() < 1e-12);
        let back = QReading::BandwidthOfQ
            .cookbook_q(&stage(Kind::Peaking, 6.0, SQRT_2), 48000.0)
            .unwrap();
        assert!((back - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_slope_of_one_is_a_q_of_0_7071_at_any_gain() {
        // Cookbook: S = 1 is the steepest monotonic shelf, 1/Q = sqrt(2).
        for gain_db in [-9.0, 3.0] {
            let shelf = stage(Kind::HighShelf, gain_db, 1.0);
            let q = QReading::ShelfSlope.cookbook_q(&shelf, 48000.0).unwrap();
            assert!((q - 0.5 * SQRT_2).abs() < 1e-12);
            let shelf = stage(Kind::HighShelf, gain_db, q);
            assert!((QReading::SlopeOfQ.cookbook_q(&shelf, 48000.0).unwrap() - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn the_minus_3_db_bandwidth_of_a_large_boost_is_that_of_its_poles() {
        // A boost of 40 dB whose poles have Q 5: 3 dB below the peak at f0 (1 +- 1/(2 Q)) nearly.
        let boost = stage(Kind::Peaking, 40.0, 5.0);
        let q = QReading::OfPoles.cookbook_q(&boost, 192000.0).unwrap();
        let section = Stage { q, ..boost }.biquad(192000.0);
        let x: f64 = 1.0 / 10.0;
        let upper_hz = 1000.0 * (x + (1.0 + x * x).sqrt());
        let at_db = section.gain_db(2.0 * PI * upper_hz / 192000.0);
        assert!((at_db - (40.0 - 3.01)).abs() < 0.01, "{at_db}");
    }

    #[test]
    fn a_reading_without_meaning_for_a_type_gives_nothing() {
        assert!(
            QReading::ShelfSlope
                .cookbook_q(&stage(Kind::Peaking, 3.0, 1.0), 48e3)
                .is_none()
        );
        assert!(
            QReading::OfPoles
                .cookbook_q(&stage(Kind::LowShelf, 3.0, 1.0), 48e3)
                .is_none()
        );
    }
}
