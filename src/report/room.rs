//! The parts of text and page that speak of the room.

use super::sections::with_bound_units;
use super::text::{for_terminal, wrapped};
use crate::audit::spoken_hz;
use crate::predict::Plan;
use crate::seats::{Decided, Origin, Outcome};
use maud::{Markup, html};
use std::fmt::Write;

/// One sentence for the statement; empty when nothing was said of the room.
pub fn sentence(plan: &Plan) -> String {
    let Some(room) = &plan.situation.room else {
        return String::new();
    };
    let zone = format!("Below {}", spoken_hz(room.transition.hz()));
    let Some(outcome) = &room.outcome else {
        return format!(" {zone} the room decides, and what is there is left as it is.");
    };
    let seats = match outcome.seats.len() {
        1 => "the one seat".to_string(),
        n => format!("the {n} seats"),
    };
    let cut = outcome.peaks.iter().filter(|p| p.gain_db < -0.5).count();
    let peaks = match cut {
        0 => "no peak is shared and none cut".to_string(),
        1 => "one shared peak is cut".to_string(),
        n => format!("{n} shared peaks are cut"),
    };
    let (before_db, after_db) = deviation(outcome);
    format!(
        " {zone} {seats} decide: {peaks}, nulls and differences between seats are left, and the mean deviation of a seat goes from {before_db:.1} to {after_db:.1} dB rms."
    )
}

/// Deviation within the zone before and after, dB rms, over all seats.
fn deviation(outcome: &Outcome) -> (f64, f64) {
    let count = outcome.seats.len() as f64;
    let mean = |value: fn(&crate::seats::SeatAfter) -> f64| {
        (outcome.seats.iter().map(value).sum::<f64>() / count).sqrt()
    };
    (
        mean(|seat| seat.variance_before_db2),
        mean(|seat| seat.variance_after_db2),
    )
}

fn transition_words(room: &Decided) -> String {
    let hz = spoken_hz(room.transition.hz());
    match room.transition.origin() {
        Origin::Stated => format!("The room decides below {hz}, as stated."),
        Origin::Schroeder { volume_m3, rt60_s } => format!(
            "The room decides below {hz}: Schroeder's frequency 2000 sqrt(T/V) of {volume_m3} m3 and {rt60_s} s (Schroeder 1996)."
        ),
        Origin::Assumed => format!("The room is taken to decide below {hz}."),
    }
}

/// Peaks and seats as tables for the terminal; empty when no seats say anything.
pub fn text(plan: &Plan) -> String {
    let Some(room) = &plan.situation.room else {
        return String::new();
    };
    let mut out = String::from("\n");
    out += &wrapped(&transition_words(room), 0);
    let (Some(judged), Some(outcome)) = (&room.judged, &room.outcome) else {
        return out;
    };
    if !outcome.peaks.is_empty() {
        out += "\n  shared peak     Q  mean dB  seats from  to dB  cut dB  left dB\n";
        for after in &outcome.peaks {
            let peak = &after.peak;
            let _ = writeln!(
                out,
                "  {:>11}  {:>4.1}  {:>7.1}  {:>10.1}  {:>5.1}  {:>6.1}  {:>7.1}",
                spoken_hz(peak.f0_hz),
                peak.q,
                peak.mean_db,
                peak.least_db,
                peak.most_db,
                -after.gain_db,
                after.left_db()
            );
        }
    }
    out += "\n  seat                  deviation dB rms before  after  a null filled by\n";
    for (name, seat) in judged.names.iter().zip(&outcome.seats) {
        let name: String = for_terminal(name).chars().take(20).collect();
        let _ = writeln!(
            out,
            "  {name:<20}  {:>23.1}  {:>5.1}  {:>16}",
            seat.variance_before_db2.sqrt(),
            seat.variance_after_db2.sqrt(),
            null_words(seat.null_filled)
        );
    }
    out
}

fn null_words(null: Option<(f64, f64)>) -> String {
    null.map_or("-".into(), |(_, share)| format!("{:.0} %", 100.0 * share))
}

/// The part of the page about the room.
pub fn section(plan: &Plan) -> Markup {
    let Some(room) = &plan.situation.room else {
        return html! {};
    };
    html! {
        section {
            h2 { "The room" }
            p { (with_bound_units(&transition_words(room))) }
            @match (&room.judged, &room.outcome) {
                (Some(judged), Some(outcome)) => {
                    p { "Below, the family is the seats: one filter moves every seat by the same amount. So only peaks that all seats have are cut; nulls and what differs from seat to seat stay. Nothing is boosted." }
                    @if outcome.peaks.is_empty() {
                        p { "The seats share no peak worth a cut." }
                    } @else {
                        div.wide tabindex="0" role="region" aria-label="Shared peaks" {
                            table {
                                thead { tr {
                                    th scope="col" { "Shared peak" }
                                    th scope="col" { "Q" }
                                    th scope="col" { "mean, dB" }
                                    th scope="col" { "at the seats, dB" }
                                    th scope="col" { "cut, dB" }
                                    th scope="col" { "left, dB" }
                                } }
                                tbody {
                                    @for after in &outcome.peaks {
                                        tr {
                                            th scope="row" { (spoken_hz(after.peak.f0_hz)) }
                                            td { (format!("{:.1}", after.peak.q)) }
                                            td { (format!("{:.1}", after.peak.mean_db)) }
                                            td { (format!("{:.1} to {:.1}", after.peak.least_db, after.peak.most_db)) }
                                            td { (format!("{:.1}", -after.gain_db)) }
                                            td { (format!("{:+.1}", after.left_db())) }
                                        }
                                    }
                                }
                            }
                        }
                    }
                    div.wide tabindex="0" role="region" aria-label="Seats" {
                        table {
                            thead { tr {
                                th.word scope="col" { "Seat" }
                                th scope="col" { "deviation before, dB rms" }
                                th scope="col" { "after" }
                                th scope="col" { "a null filled by" }
                            } }
                            tbody {
                                @for (name, seat) in judged.names.iter().zip(&outcome.seats) {
                                    tr {
                                        th.word scope="row" { bdi { (super::picture::without_controls(name)) } }
                                        td { (format!("{:.1}", seat.variance_before_db2.sqrt())) }
                                        td { (format!("{:.1}", seat.variance_after_db2.sqrt())) }
                                        td { (null_words(seat.null_filled)) }
                                    }
                                }
                            }
                        }
                    }
                    p.note { "Deviation: from the level that all seats have in common over two octaves. A null is filled by what the filters raise it." }
                }
                _ => { p { "No seats say anything of it, so what is there is left as it is." } }
            }
        }
    }
}
