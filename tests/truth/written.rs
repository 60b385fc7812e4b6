//! What a plan wrote, read without the readers of the library, and what follows from it.

use num_complex::Complex64;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// A finding as it stands in `plan.json` (README, "Findings").
#[derive(Debug, Deserialize)]
pub struct Finding {
    pub from_hz: f64,
    pub to_hz: f64,
    pub peak_hz: f64,
    pub window_db: Option<f64>,
    pub room_db: Option<f64>,
    pub axis_db: Option<f64>,
    pub size_db: f64,
    pub q: Option<f64>,
    pub spread_db: Option<f64>,
    pub cause: String,
    pub decision: String,
    pub eq_db: f64,
    pub undone: f64,
    pub ground: String,
    pub moves_hz: Option<f64>,
    pub sure: f64,
    pub settle: Option<String>,
    pub minor: bool,
    pub inside: Option<f64>,
    pub reason: String,
}

impl Finding {
    /// Whether it is about the curves of the speaker, and not about an end of the band.
    pub fn is_about_curves(&self) -> bool {
        self.ground != "edge"
    }
}

/// The part of `plan.json` that is checked here.
#[derive(Debug, Deserialize)]
pub struct Document {
    pub target: String,
    pub findings: Vec<Finding>,
    pub mendable_db: f64,
    pub r#yield: Option<f64>,
    pub reach: Option<f64>,
    pub reach_from: Option<f64>,
    pub reach_to: Option<f64>,
    pub deviation_before_db: f64,
    pub deviation_after_db: f64,
    pub level_db: f64,
    pub eq_level_db: f64,
    pub judged_from_hz: f64,
    pub judged_to_hz: f64,
    pub corner_hz: Option<f64>,
    pub freq_hz: Vec<f64>,
    pub wish_db: Vec<f64>,
}

/// A plan with its files.
pub struct Planned {
    pub name: String,
    pub json: Document,
    curves: Curves,
    list: List,
    /// Level of the filters that is left out of every comparison, since only shape matters, dB.
    pub filters_level_db: f64,
    wish_level_db: f64,
    /// Listening window and in-room curve over their targets, before any EQ.
    over_target: [Sampled; 2],
    /// By how much less is wanted in the room than in the window.
    directivity: Sampled,
}

/// Listening window, in-room curve.
const WINDOW: usize = 0;
const ROOM: usize = 1;

/// The target of the room follows the directivity averaged over so many octaves (half-height width of a
/// Gaussian).
const TREND_OCT: f64 = 1.0;

impl Planned {
    pub fn new(name: String, json: &str, curves: &str, filters: &str) -> Planned {
        let json: Document = serde_json::from_str(json).unwrap();
        let (curves, list) = (Curves::read(curves), List::read(filters));
        let judged = (json.judged_from_hz, json.judged_to_hz);
        let filters_level_db = weighted_mean(judged, |f_hz| list.stages_db(f_hz));
        let freqs_hz = &json.freq_hz;
        let wish_level_db = weighted_mean(judged, |f_hz| between(freqs_hz, &json.wish_db, f_hz));
        let on_grid = |column: &str| -> Vec<f64> {
            let values = freqs_hz.iter().map(|f| curves.at(column, *f));
            values.map(|v| v - json.level_db).collect()
        };
        let (window, room) = (on_grid("listening_window"), on_grid("in_room"));
        // In the room less is wanted by the trend of the speaker's own directivity.
        let index_db: Vec<f64> = window.iter().zip(&room).map(|(w, r)| w - r).collect();
        let trend = trend(freqs_hz, &index_db, TREND_OCT);
        let room = room.iter().zip(&trend).map(|(r, t)| r + t).collect();
        let [window, room, directivity] = [window, room, trend].map(|values| Sampled {
            freqs_hz: freqs_hz.clone(),
            values,
        });
        Planned {
            name,
            json,
            curves,
            list,
            filters_level_db,
            wish_level_db,
            over_target: [window, room],
            directivity,
        }
    }

    /// Judged band, Hz.
    pub fn judged_hz(&self) -> (f64, f64) {
        (self.json.judged_from_hz, self.json.judged_to_hz)
    }

    /// Whether the curves reach there.
    pub fn covers(&self, f_hz: f64) -> bool {
        let freqs_hz = self.curves.column("freq_hz");
        (freqs_hz[0]..=freqs_hz[freqs_hz.len() - 1]).contains(&f_hz)
    }

    /// How densely was measured, on the whole.
    pub fn points_per_octave(&self) -> f64 {
        let freqs_hz = self.curves.column("freq_hz");
        let last = freqs_hz.len() - 1;
        last as f64 / (freqs_hz[last] / freqs_hz[0]).log2()
    }

    /// Listening window over the flat target at its level, read straight from the table, dB.
    pub fn window_db(&self, f_hz: f64) -> f64 {
        self.curves.at("listening_window", f_hz) - self.json.level_db
    }

    /// The response on the axis over the same, dB.
    pub fn axis_db(&self, f_hz: f64) -> f64 {
        self.curves.at("on_axis", f_hz) - self.json.level_db
    }

    /// In-room curve over its own target, dB.
    pub fn room_db(&self, f_hz: f64) -> f64 {
        self.curves.at("in_room", f_hz) - self.json.level_db + self.directivity.at(f_hz)
    }

    /// What the filters do, their own level left out, dB.
    pub fn eq_db(&self, f_hz: f64) -> f64 {
        self.list.stages_db(f_hz) - self.filters_level_db
    }

    /// The wanted EQ, its own level left out, dB.
    pub fn wish_db(&self, f_hz: f64) -> f64 {
        between(&self.json.freq_hz, &self.json.wish_db, f_hz) - self.wish_level_db
    }

    /// The mean of the mean squares of window and room over their targets, with `eq_db` applied, each
    /// with its own level left out, dB^2.
    pub fn energy_db2(&self, eq_db: impl Fn(f64) -> f64) -> f64 {
        let of = |curve: &Sampled| {
            let after_db = |f_hz: f64| curve.at(f_hz) + eq_db(f_hz);
            let level_db = weighted_mean(self.judged_hz(), after_db);
            weighted_mean(self.judged_hz(), |f_hz| (after_db(f_hz) - level_db).powi(2))
        };
        0.5 * (of(&self.over_target[WINDOW]) + of(&self.over_target[ROOM]))
    }

    /// The window over its target, averaged over `width_oct` octaves round `f_hz`, dB.
    pub fn smooth_window_db(&self, f_hz: f64, width_oct: f64) -> f64 {
        /// A step of a hundredth of an octave over a twelfth.
        const PLACES: i32 = 9;
        let places = (0..PLACES).map(|i| f64::from(i) / f64::from(PLACES - 1) - 0.5);
        let levels_db = places.map(|x| self.over_target[WINDOW].at(f_hz * (x * width_oct).exp2()));
        levels_db.sum::<f64>() / f64::from(PLACES)
    }
}

/// Places over the judged band at which means are taken: with some 8 octaves 250 to an octave, where a
/// stage of Q 10 is a seventh of an octave wide.
const PLACES: usize = 2000;

/// Mean over the band `(from, to)` in Hz, evenly on hearing's scale: the ERB-rate is
/// `21.4 lg(4.37 F + 1)`, F in kHz (Glasberg and Moore 1990, Hearing Research 47, 103-138, eq. 4),
/// and its derivative along log F is proportional to `4.37 F / (4.37 F + 1)`.
pub fn weighted_mean((from_hz, to_hz): (f64, f64), value: impl Fn(f64) -> f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for place in 0..PLACES {
        let f_hz = from_hz * (to_hz / from_hz).powf((place as f64 + 0.5) / PLACES as f64);
        let x = 4.37 * f_hz / 1000.0;
        let weight = x / (x + 1.0);
        sum += weight * value(f_hz);
        weights += weight;
    }
    sum / weights
}

/// The trend of values in equal steps of log frequency: at each the weighted straight line of
/// least squares through all, weights falling off as a Gaussian that is `width_oct` octaves wide at
/// half height.
fn trend(freqs_hz: &[f64], values: &[f64], width_oct: f64) -> Vec<f64> {
    let sigma = width_oct / (8.0 * 2f64.ln()).sqrt();
    let last = freqs_hz.len() - 1;
    let at = |centre_hz: &f64| {
        let [mut s0, mut s1, mut s2, mut t0, mut t1] = [0.0; 5];
        for (place, (f_hz, value)) in freqs_hz.iter().zip(values).enumerate() {
            let x = (f_hz / centre_hz).log2();
            // The ends stand for half a step.
            let cell = if place == 0 || place == last {
                0.5
            } else {
                1.0
            };
            let w = cell * (-0.5 * (x / sigma).powi(2)).exp();
            s0 += w;
            s1 += w * x;
            s2 += w * x * x;
            t0 += w * value;
            t1 += w * x * value;
        }
        (s2 * t0 - s1 * t1) / (s0 * s2 - s1 * s1)
    };
    freqs_hz.iter().map(at).collect()
}

/// Values by ascending frequency, along straight lines over log frequency, and level beyond the ends.
struct Sampled {
    freqs_hz: Vec<f64>,
    values: Vec<f64>,
}

impl Sampled {
    fn at(&self, f_hz: f64) -> f64 {
        between(&self.freqs_hz, &self.values, f_hz)
    }
}

fn between(freqs_hz: &[f64], values: &[f64], f_hz: f64) -> f64 {
    let last = freqs_hz.len() - 1;
    let after = freqs_hz.partition_point(|f| *f < f_hz).clamp(1, last);
    let (low_hz, high_hz) = (freqs_hz[after - 1], freqs_hz[after]);
    let t = ((f_hz / low_hz).ln() / (high_hz / low_hz).ln()).clamp(0.0, 1.0);
    values[after - 1] + t * (values[after] - values[after - 1])
}

/// `curves.csv`.
struct Curves(BTreeMap<String, Vec<f64>>);

impl Curves {
    fn read(text: &str) -> Curves {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let names: Vec<String> = reader.headers().unwrap().iter().map(String::from).collect();
        let mut columns = vec![Vec::new(); names.len()];
        for record in reader.records() {
            for (column, field) in columns.iter_mut().zip(&record.unwrap()) {
                column.push(field.parse().unwrap());
            }
        }
        Curves(names.into_iter().zip(columns).collect())
    }

    fn column(&self, name: &str) -> &[f64] {
        let found = self.0.get(name);
        found.unwrap_or_else(|| panic!("curves.csv has no column {name}"))
    }

    fn at(&self, name: &str, f_hz: f64) -> f64 {
        between(self.column("freq_hz"), self.column(name), f_hz)
    }
}

/// `filters.txt`: the rate and the coefficients of each stage, `b` over `1 + a1/z + a2/z^2`.
struct List {
    rate_hz: f64,
    stages: Vec<([f64; 3], [f64; 2])>,
}

impl List {
    fn read(text: &str) -> List {
        fn numbers<const COUNT: usize>(rest: &str) -> [f64; COUNT] {
            let numbers: Vec<f64> = rest.split(' ').map(|v| v.parse().unwrap()).collect();
            numbers.try_into().unwrap()
        }
        let (mut rate_hz, mut sign, mut numerator) = (None, None, None);
        let mut stages = Vec::new();
        for line in text.lines() {
            let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
            match word {
                "rate_hz" => rate_hz = Some(rest.parse().unwrap()),
                "equation" if rest.ends_with("- a1*y1 - a2*y2") => sign = Some(1.0),
                "equation" if rest.ends_with("+ a1*y1 + a2*y2") => sign = Some(-1.0),
                "b" => numerator = Some(numbers(rest)),
                "a" => {
                    let sign: f64 = sign.expect("the equation stands before the coefficients");
                    let feedback: [f64; 2] = numbers(rest);
                    let numerator = numerator.take().expect("b stands before a");
                    stages.push((numerator, feedback.map(|a| sign * a)));
                }
                _ => {}
            }
        }
        List {
            rate_hz: rate_hz.expect("a list states its rate"),
            stages,
        }
    }

    /// Level of all stages, without the gain in front, dB: the transfer function on the unit circle
    /// (Oppenheim and Schafer, Discrete-Time Signal Processing, chapter on transform analysis of linear
    /// time-invariant systems; from memory).
    fn stages_db(&self, f_hz: f64) -> f64 {
        let z1 = Complex64::from_polar(1.0, -TAU * f_hz / self.rate_hz);
        let z2 = z1 * z1;
        let level_db = |(b, a): &([f64; 3], [f64; 2])| {
            let h = (z1 * b[1] + z2 * b[2] + b[0]) / (z1 * a[0] + z2 * a[1] + 1.0);
            20.0 * h.norm().log10()
        };
        self.stages.iter().map(level_db).sum()
    }
}
