//! The report: one page that needs nothing but itself, shows every name as text, and draws what
//! was computed where the axes say it lies.

use planish::audit::{self, Cause, Circumstance, Subject};
use planish::average::{AveragedCurves, RearWall};
use planish::budget::{LevelWanted, Order, SubWanted, Wishes};
use planish::curve::{Curve, Grid};
use planish::filter_list::CAUTIONS;
use planish::findings::{Decision, Finding, Ground, Measured, Settle};
use planish::fit::{self, Wanted};
use planish::predict::{Mendable, Plan, predict};
use planish::read::folder::Measured as Read;
use planish::report::html::{Provenance, html};
use planish::report::pictures::files as pictures;
use planish::report::text::{self, Paint};
use planish::report::words::finding::reason;
use planish::response::{Direction, Member, Orbit, Response};
use planish::run::request::Request;
use planish::run::{PlanOptions, Speaker, plan as plan_speaker};
use planish::simulate::{FieldSpeaker, Simulated, SketchSpeaker, full_orbits};
use std::collections::HashSet;
use std::path::Path;
use unicode_width::UnicodeWidthStr;

/// A page has to stay below this so that it can be sent by mail and opened on a phone.
const LARGEST_PAGE_BYTES: usize = 600_000;

fn plan_of(name: &str, response: Option<&Response>, curves: &AveragedCurves) -> Plan {
    let device = planish::read::device::device("open-48k").unwrap();
    let target = planish::read::target::target("flat").unwrap();
    let subject = Subject {
        response,
        curves,
        target: &target,
        trusted: Default::default(),
        second_source: None,
    };
    let audit = audit::audit(&subject, &audit::Options::default()).unwrap();
    let wanted = Wanted {
        freqs_hz: audit.grid.freqs_hz(),
        gain_db: audit.wish.eq.values_db(),
        weights: &audit.fit_weights,
    };
    let options = fit::Options {
        stages: Some(4),
        ..fit::Options::default()
    };
    let fit = fit::fit(&wanted, &device, &options).unwrap();
    let prediction = predict(&subject, &audit, &[], &fit.stages, &device).unwrap();
    Plan {
        speaker: name.to_string(),
        curves: curves.clone(),
        trusted: Default::default(),
        target: target.clone(),
        device,
        mendable: Mendable::new(&audit.deviations, &audit.wish.eq, &prediction.eq),
        // The report is tried on findings of every kind, whatever the audit finds here.
        findings: findings(),
        wish: audit.wish.clone(),
        audit,
        crossover: None,
        fit,
        prediction,
        situation: Default::default(),
        asked: Default::default(),
        taken_back: 0,
        per_unit: Vec::new(),
    }
}

/// One finding of each decision, one of them reaching beyond the axis.
fn findings() -> Vec<Finding> {
    let finding =
        |(from_hz, peak_hz, to_hz), size_db, cause, undone: f64, decision, ground| Finding {
            from_hz,
            to_hz,
            peak_hz,
            measured: Measured {
                window_db: Some(size_db),
                room_db: Some(0.5 * size_db),
                axis_db: Some(2.0 * size_db),
            },
            size_db,
            q: Some(2.0),
            spread_db: Some(1.25),
            cause,
            eq_db: -undone * size_db,
            undone,
            decision,
            ground,
            is_hidden: false,
            inside_hz: None,
            doubt_db: 0.2,
            sure: 0.5 + 0.4 * undone,
            settle: Some(Settle::Phase),
            witnesses: Vec::new(),
        };
    let edge = Ground::Known(Circumstance::BelowCorner { corner_hz: 50.0 });
    let (left, whole, part) = (Decision::Leave, Decision::Correct, Decision::Soften);
    vec![
        Finding {
            q: None,
            spread_db: None,
            ..finding((10.0, 20.0, 50.0), -20.0, Cause::BandEdge, 0.0, left, edge)
        },
        finding(
            (350.0, 400.0, 450.0),
            3.0,
            Cause::Resonance,
            1.0,
            whole,
            Ground::Shared,
        ),
        finding(
            (900.0, 1e3, 1100.0),
            -4.0,
            Cause::Cancellation,
            0.0,
            left,
            Ground::Differs,
        ),
        // Small in window and room.
        finding(
            (2e3, 2100.0, 2200.0),
            0.9,
            Cause::Resonance,
            0.9,
            whole,
            Ground::Together,
        ),
        finding(
            (8e3, 15e3, 30e3),
            2.0,
            Cause::SingleAxis,
            0.43,
            part,
            Ground::Axis,
        ),
    ]
}

/// A speaker by formula: beams more the higher, has a resonance of 3 dB at 400 Hz at all angles.
fn response(from_hz: f64, to_hz: f64) -> Response {
    let grid = Grid::logarithmic(from_hz, to_hz, 12.0);
    let mut members = Vec::new();
    for orbit in [Orbit::Horizontal, Orbit::Vertical] {
        for step in -17..=18 {
            let angle_deg = 10.0 * f64::from(step);
            if orbit == Orbit::Vertical && (step == 0 || step == 18) {
                continue;
            }
            let levels_db = grid
                .freqs_hz()
                .iter()
                .map(|f_hz| {
                    let beam = (f_hz / 20_000.0).sqrt() * 24.0 * (angle_deg / 180.0).powi(2);
                    let octaves = (f_hz / 400.0).log2();
                    let bump = 3.0 * (-(octaves / 0.2).powi(2)).exp();
                    let low = -10.0 * (1.0 + (50.0 / f_hz).powi(4)).log10();
                    85.0 + low + bump - beam
                })
                .collect();
            members.push(Member {
                direction: Direction::new(orbit, angle_deg),
                levels_db,
                phase_deg: None,
                mirrored: false,
            });
        }
    }
    Response::new(grid, members).unwrap()
}

fn usual_plan(name: &str) -> Plan {
    let response = response(20.0, 20_000.0);
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    plan_of(name, Some(&response), &curves)
}

fn provenance() -> Provenance {
    Provenance {
        version: "1.2.3".into(),
        command: "planish plan harbour --target \"flat\"".into(),
        inputs: vec![("speaker.toml".into(), "crc32 00c0ffee".into())],
        understood: "36 horizontal angles\nnothing mirrored".into(),
    }
}

fn page(plan: &Plan) -> String {
    html(plan, &provenance()).unwrap()
}

#[test]
fn the_page_needs_nothing_but_itself() {
    let page = page(&usual_plan("Harbour 6"));
    assert!(page.len() < LARGEST_PAGE_BYTES, "{} bytes", page.len());
    for outward in [
        "http:", "https:", "//", "src=", "url(", "@import", "fetch(", "XMLHttp", "<img", "<iframe",
        "<object",
    ] {
        // Two strokes begin a comment in the script and stand nowhere else.
        let found = page.matches(outward).count();
        let allowed = usize::from(outward == "//");
        assert!(found <= allowed, "{outward} stands {found} times");
    }
    assert!(page.contains("default-src 'none'"));
    assert_eq!(
        page.matches("href=").count(),
        page.matches("href=\"data:,\"").count()
    );
}

#[test]
fn the_parts_stand_in_their_order() {
    let plan = usual_plan("Harbour 6");
    let page = page(&plan);
    let mut at = 0;
    for part in [
        "<h1",
        "class=\"statement\"",
        "id=\"picture-1\"",
        "id=\"picture-2\"",
        "id=\"picture-3\"",
        ">Findings<",
        ">Filters<",
        "gain in front",
        ">What it costs<",
        ">What each further stage gains<",
        ">Preference rating<",
        "6190 (2004)",
        ">What the measurement shows and what it does not<",
        ">How to repeat this<",
        "crc32 00c0ffee",
        "36 horizontal angles",
        ">Cautions<",
        CAUTIONS[4],
    ] {
        match page[at..].find(part) {
            Some(next) => at += next,
            None => panic!("{part} is missing or stands too early"),
        }
    }
    for finding in &plan.findings {
        let reason = reason(finding).to_string();
        assert!(page.replace('\u{a0}', " ").contains(&reason), "{reason}");
    }
}

#[test]
fn names_are_shown_as_text_and_break_nothing() {
    let plain = page(&usual_plan("Harbour 6"));
    let long = "Lang".repeat(75);
    for name in [
        "<script>alert(1)</script>",
        "</title></style><script>alert(1)</script>",
        "\"quoted\" & 'quoted' <b>",
        "\u{5e9}\u{5dc}\u{5d5}\u{5dd} 5",
        "\u{202e}turned round",
        "\u{1f50a}\u{1f1fa}\u{1f1f3} loud",
        "with \u{0}control\u{1b} letters\u{7}",
        &long,
        "",
        "a",
        "{}",
    ] {
        let mut plan = usual_plan(name);
        plan.target.name = name.to_string();
        plan.device.about = name.to_string();
        let mut from = provenance();
        from.command = name.to_string();
        from.understood = name.to_string();
        from.inputs = vec![(name.to_string(), name.to_string())];
        let page = html(&plan, &from).unwrap();
        for mark in [
            "<script", "</script", "<style", "</style", "<title", "</title", "<b>", "<svg",
            "<section",
        ] {
            assert_eq!(
                page.matches(mark).count(),
                plain.matches(mark).count(),
                "{mark} with {name:?}"
            );
        }
        assert!(
            !page.contains(|c: char| c.is_control() && c != '\n' && c != '\t'),
            "{name:?}"
        );
        let shown = name
            .replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;")
            .replace('"', "&quot;")
            .replace(['\u{0}', '\u{1b}', '\u{7}', '\u{202e}'], "\u{fffd}");
        assert!(
            page.contains(&format!("<bdi>{shown}</bdi></h1>")),
            "{name:?}"
        );
        for (file, svg) in pictures(&plan).unwrap() {
            let document = roxmltree::Document::parse(&svg)
                .unwrap_or_else(|e| panic!("{file} with {name:?}: {e}"));
            let title = document
                .descendants()
                .find(|n| n.has_tag_name("title"))
                .unwrap();
            assert!(title.text().is_some_and(|t| {
                t.starts_with(&name.replace(['\u{0}', '\u{1b}', '\u{7}', '\u{202e}'], "\u{fffd}"))
            }));
        }
    }
}

#[test]
fn every_identifier_is_there_once_and_every_reference_leads_somewhere() {
    let page = page(&usual_plan("Harbour 6"));
    let values = |name: &str| -> Vec<String> {
        let opening = format!(" {name}=\"");
        page.match_indices(&opening)
            .filter_map(|(at, _)| page[at + opening.len()..].split('"').next())
            .flat_map(str::split_whitespace)
            .map(str::to_string)
            .collect()
    };
    let identifiers = values("id");
    let once: HashSet<&String> = identifiers.iter().collect();
    assert!(identifiers.len() > 10);
    assert_eq!(once.len(), identifiers.len());
    for reference in values("aria-labelledby").iter().chain(&values("data-for")) {
        assert!(once.contains(reference), "{reference}");
    }
}

#[test]
fn every_picture_has_words_and_numbers_beside_it() {
    let page = page(&usual_plan("Harbour 6"));
    let figures = page.matches("<figure").count();
    assert_eq!(figures, 3);
    assert_eq!(
        page.matches("<summary>The numbers of this picture").count(),
        figures
    );
    for part in page.split("<svg class=\"picture\"").skip(1) {
        let svg = format!("<svg {}", &part[..part.find("</svg>").unwrap() + 6]);
        let document = roxmltree::Document::parse(&svg).unwrap();
        let words = |tag: &str| {
            document
                .descendants()
                .find(|n| n.has_tag_name(tag))
                .and_then(|n| n.text())
                .map(str::len)
        };
        assert!(words("title").is_some_and(|letters| letters > 10));
        assert!(words("desc").is_some_and(|letters| letters > 40));
        // A colour that is still a code would be one that neither scheme explains.
        let map_colours = ["path", "svg"];
        for node in document.descendants().filter(|n| n.is_element()) {
            for attribute in ["fill", "stroke"] {
                let paint = node.attribute(attribute).unwrap_or("none");
                assert!(
                    paint == "none"
                        || paint.starts_with("var(--")
                        || map_colours.contains(&node.tag_name().name()),
                    "{paint}"
                );
            }
        }
    }
}

/// Words of a picture with their place.
fn words_of(svg: &str) -> Vec<(String, f64, f64)> {
    let document = roxmltree::Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let place = |name: &str| n.attribute(name).unwrap().parse::<f64>().unwrap();
            (
                n.text().unwrap_or("").trim().to_string(),
                place("x"),
                place("y"),
            )
        })
        .collect()
}

#[test]
fn the_axes_keep_their_ratio() {
    // IEC 60263 (from memory): 25 dB are as long as a decade. Places are whole numbers of the
    // drawing, so each may be off by half of one.
    const PLACE: f64 = 1.0;
    let drawn = pictures(&usual_plan("Harbour 6")).unwrap();
    for (file, db_per_decade, low, high) in [
        ("response", 25.0, "-10", "+5"),
        ("filters", 10.0, "-4", "-2"),
    ] {
        let svg = &drawn.iter().find(|(name, _)| *name == file).unwrap().1;
        let words = words_of(svg);
        let find = |text: &str| {
            words
                .iter()
                .find(|w| w.0 == text)
                .unwrap_or_else(|| panic!("{file}: {text}"))
        };
        let decade = find("1k").1 - find("100").1;
        let level = |text: &str| text.parse::<f64>().unwrap();
        let height = find(low).2 - find(high).2;
        let wanted = decade * (level(high) - level(low)) / db_per_decade;
        assert!(
            (height - wanted).abs() <= PLACE,
            "{file}: {height} {wanted}"
        );
        assert!(
            svg.contains(&format!("{db_per_decade} dB of")),
            "{file} states its ratio"
        );
    }
}

#[test]
fn a_curve_stands_where_the_axes_put_its_values() {
    let plan = usual_plan("Harbour 6");
    let svg = pictures(&plan).unwrap().remove(0).1;
    let words = words_of(&svg);
    let find = |text: &str| words.iter().find(|w| w.0 == text).unwrap();
    let (zero_y, five_y) = (find("0").2, find("+5").2);
    let (x_100, x_1k) = (find("100").1, find("1k").1);
    let document = roxmltree::Document::parse(&svg).unwrap();
    // The first trace is the listening window before.
    let group = document
        .descendants()
        .find(|n| n.attribute("data-trace") == Some("1"))
        .unwrap();
    let line = group
        .children()
        .find(|n| n.has_tag_name("polyline"))
        .unwrap();
    let points: Vec<(f64, f64)> = line
        .attribute("points")
        .unwrap()
        .split_whitespace()
        .map(|pair| {
            pair.split_once(',')
                .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
                .unwrap()
        })
        .collect();
    let grid = &plan.audit.grid;
    let mut compared = 0;
    for (x, y) in points {
        let f_hz = 100.0 * 10f64.powf((x - x_100) / (x_1k - x_100));
        let place = grid.nearest(f_hz);
        if (grid.freqs_hz()[place] / f_hz).log2().abs() > 0.002 {
            continue;
        }
        // The target of this plan is flat, so the curve is the deviation itself.
        let drawn_db = 5.0 * (y - zero_y) / (five_y - zero_y);
        // Half a unit of the drawing is 0.011 dB at 44 units to the dB; twice that for the axis.
        assert!(
            (drawn_db - plan.audit.deviations.window.values_db()[place]).abs() < 0.035,
            "{f_hz}"
        );
        compared += 1;
    }
    assert!(compared > 100, "{compared}");
}

/// A numbered ring of the response picture.
struct Ring {
    number: usize,
    sure: String,
    centre: (f64, f64),
    foot: (f64, f64),
}

/// The rings of a response picture, by number, and the picture's words with their places.
fn rings_of(svg: &str) -> Vec<Ring> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let place = |node: roxmltree::Node, names: [&str; 2]| {
        let [x, y] = names.map(|name| node.attribute(name).unwrap().parse().unwrap());
        (x, y)
    };
    document
        .descendants()
        .filter(|n| n.attribute("class") == Some("marker"))
        .map(|marker| {
            let number = marker.attribute("data-finding").unwrap();
            let line = document
                .descendants()
                .find(|n| n.has_tag_name("line") && n.attribute("data-finding") == Some(number))
                .unwrap();
            let find = |tag: &str| marker.children().find(|n| n.has_tag_name(tag)).unwrap();
            assert_eq!(find("text").text(), Some(number));
            assert!(find("title").text().unwrap().starts_with(number));
            let centre = place(find("circle"), ["cx", "cy"]);
            assert_eq!(place(line, ["x2", "y2"]), centre);
            Ring {
                number: number.parse().unwrap(),
                sure: marker.attribute("data-sure").unwrap().into(),
                centre,
                foot: place(line, ["x1", "y1"]),
            }
        })
        .collect()
}

/// Every finding that is read has one ring with its number, on the curve at its peak, within the
/// picture, apart from all others and from all words.
fn assert_numbered(plan: &Plan) {
    // Radius of a ring on a phone, where it is largest: 54 units by 1.55 (`page.css`).
    const RADIUS: f64 = 84.0;
    // Four units of the drawing are a pixel of the file.
    const PIXEL: f64 = 4.0;
    let svg = pictures(plan).unwrap().remove(0).1;
    let rings = rings_of(&svg);
    let words = words_of(&svg);
    let at = |text: &str| words.iter().find(|w| w.0 == text).unwrap();
    let (left, decade) = (at("20").1, at("1k").1 - at("100").1);
    let right = left + 3.0 * decade;
    let zero_y = at("0").2;
    // A heading stands 72 units over its panel, which begins 180 units under the one before.
    let top = at("Listening window, dB").2 + 72.0;
    let bottom = at("In-room curve, dB").2 + 72.0 - 180.0;
    let read: Vec<&Finding> = plan.findings.iter().filter(|f| !f.is_minor()).collect();
    assert_eq!(rings.len(), read.len());
    let grid = &plan.audit.grid;
    let window = plan.window_before();
    for (place, (ring, finding)) in rings.iter().zip(read).enumerate() {
        assert_eq!(ring.number, place + 1);
        let x = left + decade * (finding.peak_hz.clamp(20.0, 20_000.0) / 20.0).log10();
        assert!((ring.foot.0 - x).abs() <= PIXEL, "{}", finding.peak_hz);
        let centre_x = x.max(left + RADIUS).min(right - RADIUS);
        assert!((ring.centre.0 - centre_x).abs() <= PIXEL);
        assert!(ring.centre.1 - RADIUS > top && ring.centre.1 + RADIUS < bottom);
        // 44 units to the dB (IEC 60263). A curve that leaves the panel is marked at its edge.
        let level_db = (zero_y - ring.foot.1) / (decade / 25.0);
        let curve_db = window.values_db()[grid.nearest(finding.peak_hz)];
        let is_at = |end: f64| (ring.foot.1 - end).abs() <= 1.0;
        let is_cut = is_at(bottom) && curve_db < level_db || is_at(top) && curve_db > level_db;
        assert!(
            (level_db - curve_db).abs() < 0.2 || is_cut,
            "{level_db} {curve_db}"
        );
        for other in &rings[..place] {
            let apart = (ring.centre.0 - other.centre.0).hypot(ring.centre.1 - other.centre.1);
            assert!(apart > 2.0 * RADIUS, "{} {}", ring.number, other.number);
        }
        for (word, word_x, word_y) in &words {
            let is_ring = word.parse() == Ok(ring.number) && *word_x == ring.centre.0;
            let apart = (ring.centre.0 - word_x).hypot(ring.centre.1 - word_y);
            assert!(is_ring || apart > RADIUS, "{} on {word}", ring.number);
        }
    }
}

#[test]
fn every_finding_to_be_read_is_numbered_once_at_its_place_on_the_listening_window() {
    let mut plan = usual_plan("Harbour 6");
    plan.findings[2].sure = 0.8;
    assert_numbered(&plan);
    let svg = pictures(&plan).unwrap().remove(0).1;
    let sure: Vec<String> = rings_of(&svg).into_iter().map(|ring| ring.sure).collect();
    assert_eq!(
        sure,
        ["doubtful", "sure", "likely", "doubtful"].map(String::from)
    );

    let mut demo = Speaker::read(Path::new("examples/quayside_5"), RearWall::default()).unwrap();
    let mut count = 0;
    let options = PlanOptions {
        effort: Some(0.01),
        ..PlanOptions::default()
    };
    let mut numbered = |speaker: &Speaker| {
        let plan = plan_speaker(speaker, &options).unwrap();
        assert_numbered(&plan);
        count += plan.findings.iter().filter(|f| !f.is_minor()).count();
    };
    numbered(&demo);
    numbered(&Speaker::read(Path::new("examples/lantern_8"), RearWall::default()).unwrap());
    let grid = Grid::logarithmic(20.0, 20_000.0, 24.0);
    for seed in 310_000..310_006 {
        for response in [
            SketchSpeaker::draw(seed).response(&grid, &full_orbits()),
            FieldSpeaker::draw(seed).response(&grid, &full_orbits()),
        ] {
            demo.folder.measured = Read::Angles(response.unwrap());
            numbered(&Speaker::of(demo.folder.clone(), RearWall::default()));
        }
    }
    assert!(count > 20, "{count}");
}

#[test]
fn rings_of_findings_in_a_crowd_stand_apart() {
    let mut plan = usual_plan("Harbour 6");
    let one = plan.findings[1].clone();
    // A twelfth of an octave apart, bumps and dips by turns in pairs; then all at one end.
    plan.findings = (0..14)
        .map(|place| {
            let peak_hz = 900.0 * 2f64.powf(f64::from(place) / 12.0);
            let size_db = if place / 2 % 2 == 0 { 3.0 } else { -3.0 };
            Finding {
                from_hz: 0.9 * peak_hz,
                to_hz: 1.1 * peak_hz,
                peak_hz,
                size_db,
                ..one.clone()
            }
        })
        .collect();
    assert_numbered(&plan);
    for peak_hz in [20.0, 22.0, 20_000.0] {
        for finding in &mut plan.findings {
            finding.peak_hz = peak_hz;
        }
        assert_numbered(&plan);
    }
}

#[test]
fn what_all_angles_share_is_not_in_the_angle_picture() {
    let plan = usual_plan("Harbour 6");
    let map = plan.angles_against_window(Orbit::Horizontal).unwrap();
    let at = |f_hz: f64| plan.audit.grid.nearest(f_hz);
    for levels_db in &map.levels_db {
        // The bump of 3 dB at 400 Hz stands in every angle; beaming alone is smooth.
        let bend = levels_db[at(400.0)] - 0.5 * (levels_db[at(300.0)] + levels_db[at(533.0)]);
        assert!(bend.abs() < 0.1, "{bend}");
    }
    assert_eq!(map.angles_deg.first(), Some(&-180.0));
    assert_eq!(map.angles_deg.last(), Some(&180.0));
    let vertical = plan.angles_against_window(Orbit::Vertical).unwrap();
    assert!(vertical.angles_deg.contains(&0.0) && vertical.angles_deg.contains(&180.0));
}

#[test]
fn without_angles_the_page_says_so_and_draws_two_pictures() {
    let response = response(20.0, 20_000.0);
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    let plan = plan_of("Harbour 6", None, &curves);
    let page = page(&plan);
    assert_eq!(page.matches("<figure").count(), 2);
    assert!(page.contains("No angles were at hand"));
    assert!(page.contains("Only averaged curves were at hand"));
    assert_eq!(pictures(&plan).unwrap().len(), 2);
}

#[test]
fn a_short_measurement_without_findings_or_stages_still_makes_a_page() {
    let response = response(300.0, 6000.0);
    let curves = AveragedCurves::from_response(&response, RearWall::default());
    let mut plan = plan_of("Harbour 6", Some(&response), &curves);
    plan.findings.clear();
    plan.fit.stages.clear();
    plan.prediction.bank.sections.clear();
    plan.prediction.eq = Curve::zero(&plan.audit.grid);
    plan.prediction.eq_level_db = 0.0;
    let page = page(&plan);
    assert!(page.contains("Nothing significant was found"));
    assert!(page.contains("There is no rating"));
}

#[test]
fn the_same_plan_gives_the_same_bytes() {
    let plan = usual_plan("Harbour 6");
    assert_eq!(page(&plan), page(&plan));
    assert_eq!(pictures(&plan).unwrap(), pictures(&plan).unwrap());
}

#[test]
fn colours_of_the_terminal_only_add_and_no_line_is_wider_than_it() {
    let mut plan = usual_plan("Harbour 6");
    let plain = text::audit(&plan, Paint::Plain);
    assert!(!plain.contains('\u{1b}'));
    let coloured = text::audit(&plan, Paint::Coloured);
    // Every code is an escape, a bracket, digits and an m.
    let mut bare = String::new();
    let mut parts = coloured.split('\u{1b}');
    bare += parts.next().unwrap();
    for part in parts {
        bare += part.split_once('m').unwrap().1;
    }
    assert_ne!(coloured, plain);
    assert_eq!(bare, plain);
    for name in [
        "Lang".repeat(75),
        "\u{1f50a}".repeat(100),
        "a\u{1b}[31m\u{202e}b".into(),
    ] {
        plan.speaker = name.clone();
        plan.target.name = name;
        let shown = text::audit(&plan, Paint::Plain) + &text::plan(&plan, &[]);
        assert!(!shown.contains(['\u{1b}', '\u{202e}']));
        for line in shown.lines() {
            assert!(line.width() <= text::COLUMNS, "{line}");
        }
    }
}

/// Our own words on a page: without style, script, drawings and names from outside.
fn words_of_page(page: &str) -> String {
    let mut page = page.to_string();
    for element in ["style", "script", "svg", "bdi"] {
        let (open, close) = (format!("<{element}"), format!("</{element}>"));
        while let Some(from) = page.find(&open) {
            let length = page[from..].find(&close).unwrap() + close.len();
            page.replace_range(from..from + length, "");
        }
    }
    let parts = page.split('<').skip(1);
    parts
        .map(|part| part.split_once('>').unwrap().1)
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn a_number_never_parts_from_its_unit_on_a_page_with_all_sections() {
    let mut request = Request {
        speaker: "examples/quayside_5".into(),
        seats: Some("examples/quayside_5/seats.csv".into()),
        sub_seats: Some("examples/quayside_5/seats.csv".into()),
        second_unit: Some("examples/lantern_8".into()),
        per_unit: true,
        ..Request::default()
    };
    request.options.effort = Some(0.01);
    request.options.owner = Wishes {
        sub: Some(SubWanted {
            f_hz: 80.0,
            order: Order::Fourth,
        }),
        level: Some(LevelWanted {
            level_db: 85.0,
            peaks_db: 15.0,
            distance_m: 2.5,
        }),
        ..Wishes::default()
    };
    let (_, plan) = request.planned(&mut |_, _| {}).unwrap();
    let words = words_of_page(&page(&plan));
    let mut bound = 0;
    for unit in [
        "dB", "Hz", "kHz", "%", "ohm", "W", "V", "m", "cm", "s", "ms", "degrees",
    ] {
        for (at, _) in words.match_indices(unit) {
            let before = &words[..at];
            let ends_here = !words[at + unit.len()..].starts_with(|c: char| c.is_alphanumeric());
            if !ends_here {
                continue;
            }
            let blank = before.chars().next_back();
            let number = before
                .trim_end_matches([' ', '\u{a0}'])
                .ends_with(|c: char| c.is_ascii_digit());
            if number && blank == Some('\u{a0}') {
                bound += 1;
            }
            let around = before.chars().rev().take(40).collect::<Vec<_>>();
            let around: String = around.into_iter().rev().collect();
            assert!(!(number && blank == Some(' ')), "{around}{unit}");
        }
    }
    assert!(bound > 100, "{bound}");
    assert!(
        words.contains("The pair") && words.contains("The room") && words.contains("Subwoofer")
    );
}
