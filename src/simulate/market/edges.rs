//! The edges of a finite baffle as secondary sources.

use crate::simulate::chance::Chance;
use crate::simulate::vector::Vector;
use std::f64::consts::PI;

/// A piece of edge that a source's sound reaches along the baffle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Where it is, m.
    pub place_m: Vector,
    /// Way along the baffle to it, m.
    pub distance_m: f64,
    /// From the source to the edge, length one.
    pub outward: Vector,
    /// Share of the whole.
    pub share: f64,
}

/// The front of a box: upright, in the plane of the drivers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baffle {
    /// Half width, m.
    pub half_width_m: f64,
    /// Upper edge, m.
    pub top_m: f64,
    /// Lower edge, m.
    pub bottom_m: f64,
}

/// All edges together against the direct sound at low frequencies: from half space to full space
/// the pressure halves. Source: Vanderkooy, A Simple Theory of Cabinet Edge Diffraction, JAES
/// 39(12), 1991 (from memory).
pub const ALL_EDGES: f64 = 0.5;

/// A piece of edge on the side of the listener sends more his way than one on the other side; by
/// this share at right angles. Our own judgement.
pub const LEAN: f64 = 0.4;

impl Baffle {
    /// Pieces of edge round a source on the baffle, each seen under the same angle but for a
    /// little chance, which keeps them from acting as a regular row.
    pub fn edges(&self, source_m: Vector, count: usize, chance: &mut Chance) -> Vec<Edge> {
        let step_rad = 2.0 * PI / count as f64;
        (0..count)
            .map(|i| {
                let round_rad = step_rad * (i as f64 + chance.between(-0.4, 0.4));
                let (up, side) = round_rad.sin_cos();
                let distance_m = self.distance_m(source_m, side, up);
                edge(source_m, distance_m, round_rad, 1.0 / count as f64)
            })
            .collect()
    }

    /// From a source to the edge in a direction within the plane.
    fn distance_m(&self, source_m: Vector, side: f64, up: f64) -> f64 {
        let reach = |from: f64, low: f64, high: f64, pace: f64| {
            let way = if pace > 0.0 { high - from } else { from - low };
            way.max(0.01) / pace.abs().max(1e-6)
        };
        let to_side = reach(source_m[1], -self.half_width_m, self.half_width_m, side);
        to_side.min(reach(source_m[2], self.bottom_m, self.top_m, up))
    }
}

/// The piece of edge at `distance_m` in the direction `round_rad`, 0 to the side, over the top.
pub fn edge(source_m: Vector, distance_m: f64, round_rad: f64, share: f64) -> Edge {
    let outward = [0.0, round_rad.cos(), round_rad.sin()];
    Edge {
        place_m: std::array::from_fn(|i| source_m[i] + distance_m * outward[i]),
        distance_m,
        outward,
        share,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_lie_on_the_outline_and_share_the_whole() {
        let baffle = Baffle {
            half_width_m: 0.1,
            top_m: 0.08,
            bottom_m: -0.3,
        };
        let edges = baffle.edges([0.0, 0.02, -0.1], 24, &mut Chance::new(3));
        for edge in &edges {
            let [_, side, up] = edge.place_m;
            let off = (side.abs() - 0.1)
                .abs()
                .min((up - 0.08).abs())
                .min((up + 0.3).abs());
            assert!(off < 1e-9 && side.abs() < 0.1 + 1e-9);
        }
        let sum: f64 = edges.iter().map(|e| e.share).sum();
        assert!((sum - 1.0).abs() < 1e-12);
    }
}
