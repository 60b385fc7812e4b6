//! What terminal, page and JSON print of one plan are the same numbers, to the last printed digit. That
//! they are right is shown in `behaviour/recomputed.rs`, which computes them anew.

use serde_json::Value;
use std::process::Command;

/// What a command prints, and its JSON.
fn planish(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_planish"))
        .args(arguments)
        .output()
        .expect("the binary under test can be started");
    assert!(output.status.success(), "{arguments:?}");
    String::from_utf8(output.stdout).unwrap()
}

/// The text of a page, marks replaced by blanks, as words.
fn words_of(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for letter in html.chars() {
        match letter {
            '<' => {
                inside = true;
                text.push(' ');
            }
            '>' => inside = false,
            _ if !inside => text.push(letter),
            _ => {}
        }
    }
    let text = text
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A frequency as people are told it: three digits.
fn spoken(hz: f64) -> String {
    match hz {
        f if f < 999.5 => format!("{f:.0} Hz"),
        f if f < 9995.0 => format!("{:.2} kHz", f / 1000.0),
        f => format!("{:.1} kHz", f / 1000.0),
    }
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// With a sign or without, a dash where there is none.
fn printed(value: &Value, signed: bool) -> String {
    match value.as_f64() {
        None => "-".into(),
        // What rounds to zero has no minus.
        Some(v) if signed => format!("{v:+.1}").replace("-0.0", "+0.0"),
        Some(v) => format!("{v:.1}").replace("-0.0", "0.0"),
    }
}

#[test]
fn terminal_page_and_json_agree_to_the_last_printed_digit() {
    for speaker in ["examples/quayside_5", "examples/lantern_8"] {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().to_str().unwrap();
        let plan = planish(&["plan", speaker, "--out", out]);
        let audit = planish(&["audit", speaker]);
        let printed_json = planish(&["audit", speaker, "--json"]);
        let written = std::fs::read_to_string(dir.path().join("plan.json")).unwrap();
        assert_eq!(printed_json, written);
        let json: Value = serde_json::from_str(&written).unwrap();
        let html = std::fs::read_to_string(dir.path().join("report.html")).unwrap();
        let page = words_of(&html.replace('\u{a0}', " "));
        let squeezed = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        let (plan, audit) = (squeezed(&plan), squeezed(&audit));
        let everywhere = |words: &str, places: &[(&str, &str)]| {
            for (name, text) in places {
                assert!(
                    text.contains(words),
                    "{words} is not in the {name} of {speaker}: {text}"
                );
            }
        };

        // Those to be read come first in the text, the minor ones last.
        let all = json["findings"].as_array().unwrap();
        let (minor, to_read): (Vec<_>, Vec<_>) = all.iter().partition(|f| f["minor"] == true);
        let places: &[(&str, &str)] = &[("audit", &audit), ("page", &page)];
        let count = to_read.len();
        for (no, finding) in (1..).zip(to_read.into_iter().chain(minor)) {
            let places = if no > count { &places[1..] } else { places };
            let place = spoken(number(&finding["peak_hz"]));
            let signed = ["window_db", "room_db", "size_db", "eq_db"];
            let [window, room, size, eq] = signed.map(|key| printed(&finding[key], true));
            let [q, spread] = ["q", "spread_db"].map(|key| printed(&finding[key], false));
            let sure = format!("{:.0} %", 100.0 * number(&finding["sure"]));
            let cause = finding["cause"].as_str().unwrap();
            let share = format!("{:.0} %", 100.0 * number(&finding["undone"]));
            let said = match finding["decision"].as_str().unwrap() {
                "correct" => "corrected".to_string(),
                "soften" => format!("{share} corrected"),
                "unspent" => "no stage spent".to_string(),
                _ => "left alone".to_string(),
            };
            let cause = cause.replace('-', " ");
            let start = format!("{no} {place} {cause} {said} {window} {room} {size} {eq}");
            everywhere(&format!("{start} {q} {spread} {sure}"), &[("page", &page)]);
            if no <= count {
                everywhere(&format!("{start} {sure}"), &[("audit", &audit)]);
            }
            everywhere(finding["reason"].as_str().unwrap(), places);
        }

        for (no, stage) in (1..).zip(json["stages"].as_array().unwrap()) {
            let (f0_hz, gain_db, q) = (
                number(&stage["f0_hz"]),
                number(&stage["gain_db"]),
                number(&stage["q"]),
            );
            let kind = stage["type"].as_str().unwrap();
            let row = format!("{no} {kind} {f0_hz:.1} {gain_db:+.2} {q:.3}");
            everywhere(&row, &[("plan", &plan), ("page", &page)]);
        }

        let percent = |key: &str| format!("{:.0} %", 100.0 * number(&json[key]));
        let one = |key: &str| printed(&json[key], false);
        let (before, after) = (one("deviation_before_db"), one("deviation_after_db"));
        let (rated, rated_after) = (one("rating_before"), one("rating_after"));
        let price = one("price_db");
        everywhere(
            &format!("deviation {before} dB rms before, {after} dB after"),
            &[("audit", &audit)],
        );
        everywhere(
            &format!("deviation from target {before} \u{2192} {after} dB"),
            &[("page", &page)],
        );
        everywhere(
            &format!(
                "Yield {} within a reach of {} ({} to {}), price {price} dB",
                percent("yield"),
                percent("reach"),
                percent("reach_from"),
                percent("reach_to")
            ),
            &[("audit", &audit)],
        );
        everywhere(
            &format!(
                "reach {} by an ideal EQ ({} to {}) yield {} by these filters price {price} dB",
                percent("reach"),
                percent("reach_from"),
                percent("reach_to"),
                percent("yield")
            ),
            &[("page", &page)],
        );
        everywhere(
            &format!("{rated} before, {rated_after} after"),
            &[("audit", &audit)],
        );
        everywhere(
            &format!("rating {rated} \u{2192} {rated_after}"),
            &[("page", &page)],
        );
        // The statement is one text in all three.
        let cost = match number(&json["price_db"]) {
            0.0 => "no headroom".to_string(),
            _ => format!("{price} dB of headroom"),
        };
        let [mend, leave, take] = match json["stages"].as_array().unwrap().len() {
            1 => ["mends", "leaves", "costs"],
            _ => ["mend", "leave", "cost"],
        };
        let mended = number(&json["deviation_before_db"]) - number(&json["deviation_after_db"]);
        everywhere(
            &format!("{mend} {mended:.1} dB of it, {leave} {after} dB and {take} {cost}."),
            &[("plan", &plan), ("audit", &audit), ("page", &page)],
        );
        everywhere(
            &format!("{} dB can be mended", one("mendable_db")),
            &[("plan", &plan), ("audit", &audit), ("page", &page)],
        );
        for (row, rung) in json["ladder"]
            .as_array()
            .unwrap()
            .iter()
            .enumerate()
            .skip(1)
        {
            let left_db = number(&rung["rms_db"]);
            everywhere(&format!("{row} {left_db:.3}"), &[("page", &page)]);
        }
        let demand = &json["largest_demand"];
        everywhere(
            &format!(
                "{}: {:+.1} dB, {:.1} times the power",
                spoken(number(&demand["freq_hz"])),
                number(&demand["gain_db"]),
                number(&demand["power_ratio"])
            ),
            &[("page", &page)],
        );
    }
}
