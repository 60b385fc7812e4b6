//! The parts of text and page that speak of a pair.

use super::sections::with_bound_units;
use super::text::{for_terminal, wrapped};
use crate::audit::spoken_hz;
use crate::pair::Decided;
use crate::predict::Plan;
use maud::{Markup, html};
use std::fmt::Write;

/// How well the pair matches, in one sentence.
fn match_words(pair: &Decided) -> String {
    let level_db = pair.matched.level_db;
    let level = if level_db.abs() < 0.05 {
        "both are equally loud".to_string()
    } else {
        format!(
            "the second is {:.1} dB {}, which the balance evens out",
            level_db.abs(),
            if level_db > 0.0 { "louder" } else { "quieter" }
        )
    };
    match pair.matched.largest() {
        Some(largest) => format!(
            "Two units, one list: {level}; from 100 Hz to 10 kHz they match within {:.1} dB, worst at {}.",
            largest.value_db.abs(),
            spoken_hz(largest.f_hz)
        ),
        None => format!("Two units, one list: {level}."),
    }
}

fn unit_names(plan: &Plan, pair: &Decided) -> [String; 2] {
    [format!("1 {}", plan.speaker), format!("2 {}", pair.second)]
}

/// The match by bands and what the lists do, for the terminal; empty for a single speaker.
pub fn text(plan: &Plan) -> String {
    let Some(pair) = &plan.situation.pair else {
        return String::new();
    };
    let mut out = String::from("\n");
    out += &wrapped(&match_words(pair), 0);
    out += "\n  band      second minus first, dB: mean  rms  largest\n";
    for band in &pair.matched.bands {
        let _ = writeln!(
            out,
            "  {:>8}  {:>28}  {:>4.1}  {:>7}",
            spoken_hz(band.middle_hz),
            format!("{:+.1}", band.mean_db),
            band.rms_db,
            format!("{:+.1}", band.largest_db)
        );
    }
    out += "\n  unit                  deviation dB rms before  shared list  own list\n";
    for (name, deviation) in unit_names(plan, pair).iter().zip(&pair.deviations) {
        let name: String = for_terminal(name).chars().take(20).collect();
        let own = deviation.own_db.map_or("-".into(), |db| format!("{db:.1}"));
        let _ = writeln!(
            out,
            "  {name:<20}  {:>23.1}  {:>11.1}  {own:>8}",
            deviation.before_db, deviation.shared_db
        );
    }
    out
}

/// The part of the page about the pair.
pub fn section(plan: &Plan) -> Markup {
    let Some(pair) = &plan.situation.pair else {
        return html! {};
    };
    html! {
        section {
            h2 { "The pair" }
            p { (with_bound_units(&match_words(pair))) " All curves on this page are those of what both units share: the mean of both, but where they differ in the listening window no more than both have." }
            div.wide tabindex="0" role="region" aria-label="Match by octave bands" {
                table {
                    thead { tr {
                        th scope="col" { "Band" }
                        th scope="col" { "second minus first, mean, dB" }
                        th scope="col" { "rms, dB" }
                        th scope="col" { "largest, dB" }
                    } }
                    tbody {
                        @for band in &pair.matched.bands {
                            tr {
                                th scope="row" { (spoken_hz(band.middle_hz)) }
                                td { (format!("{:+.1}", band.mean_db)) }
                                td { (format!("{:.1}", band.rms_db)) }
                                td { (format!("{:+.1}", band.largest_db)) }
                            }
                        }
                    }
                }
            }
            div.wide tabindex="0" role="region" aria-label="Units" {
                table {
                    thead { tr {
                        th.word scope="col" { "Unit" }
                        th scope="col" { "deviation before, dB rms" }
                        th scope="col" { "with the shared list" }
                        th scope="col" { "with its own list" }
                    } }
                    tbody {
                        @for (name, deviation) in unit_names(plan, pair).iter().zip(&pair.deviations) {
                            tr {
                                th.word scope="row" { bdi { (super::picture::without_controls(name)) } }
                                td { (format!("{:.1}", deviation.before_db)) }
                                td { (format!("{:.1}", deviation.shared_db)) }
                                td { (deviation.own_db.map_or("-".to_string(), |db| format!("{db:.1}"))) }
                            }
                        }
                    }
                }
            }
            p.note { "Octave bands as in IEC 61260. Differences are those of the listening windows, level taken out, over a twelfth of an octave." }
        }
    }
}
