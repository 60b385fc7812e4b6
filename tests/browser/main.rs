//! The pages in a real browser with the network cut: nothing is asked for, values are read out
//! and curves switched by mouse and keyboard, everything can be read on a phone, and an
//! accessibility checker finds nothing serious.

mod driver;

use driver::{Browser, shout, skip};
use planish::average::RearWall;
use planish::predict::Plan;
use planish::predict::summary::{Entry, Summary};
use planish::report::html::{Provenance, html};
use planish::report::many::{About, compare_page, rank_page};
use planish::run::{PlanOptions, Speaker, plan};
use serde_json::json;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

fn plans() -> &'static [Plan; 2] {
    static PLANS: OnceLock<[Plan; 2]> = OnceLock::new();
    PLANS.get_or_init(|| {
        ["examples/lantern_8", "examples/quayside_5"].map(|folder| {
            let speaker = Speaker::read(Path::new(folder), RearWall::ThreePoints).unwrap();
            plan(&speaker, &PlanOptions::default()).unwrap()
        })
    })
}

fn report(plan: &Plan) -> String {
    let provenance = Provenance {
        version: "1.2.3".into(),
        command: "planish plan SPEAKER".into(),
        inputs: vec![("speaker.toml".into(), "123 bytes, crc32 00c0ffee".into())],
        understood: "36 horizontal angles".into(),
    };
    html(plan, &provenance).unwrap()
}

fn about() -> About {
    About {
        version: "1.2.3".into(),
        command: "planish rank FOLDER".into(),
    }
}

fn many() -> String {
    let row = |folder: &str, plan: &Plan| Entry {
        folder: folder.into(),
        outcome: Ok(Summary::of(plan)),
    };
    let entries = [
        row("b", &plans()[1]),
        row("a", &plans()[0]),
        Entry {
            folder: "broken one".into(),
            outcome: Err("speaker.toml:1:1: found nothing".into()),
        },
    ];
    rank_page(&entries, &about())
}

/// All kinds of pages, written into `dir`.
fn pages(dir: &Path) -> Vec<PathBuf> {
    let pages = [
        ("report.html", report(&plans()[0])),
        ("rank.html", many()),
        ("compare.html", compare_page(plans(), &about()).unwrap()),
    ];
    pages
        .iter()
        .map(|(name, page)| {
            let path = dir.join(name);
            std::fs::write(&path, page).unwrap();
            path
        })
        .collect()
}

#[test]
fn no_page_asks_for_anything_or_complains() {
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    for page in pages(dir.path()) {
        let url = browser.open(&page);
        let (requests, complaints) = browser.requests_and_complaints();
        let outward: Vec<&String> = requests
            .iter()
            .filter(|request| **request != format!("{url:?}") && !request.starts_with("\"data:,"))
            .collect();
        assert!(outward.is_empty(), "{url}: {outward:?}");
        assert!(complaints.is_empty(), "{url}: {complaints:?}");
    }
}

/// What the readout of the first picture says.
const READOUT: &str = "document.querySelector('#picture-1 .readout').textContent";

/// The values that the readout must name at a place of the grid.
fn expected(plan: &Plan, place: usize) -> [String; 2] {
    let before = plan.window_before();
    let after = plan.prediction.after(&before);
    [
        format!("listening window, before {:.1}", before.values_db()[place]),
        format!("listening window, after {:.1}", after.values_db()[place]),
    ]
}

#[test]
fn values_are_read_out_by_mouse_and_by_keyboard() {
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let plan = &plans()[0];
    let freqs_hz = plan.audit.grid.freqs_hz();
    for (width, height) in [(1280, 900), (390, 844)] {
        browser.resize(width, height);
        browser.open(&pages(dir.path())[0]);
        assert_eq!(browser.text(READOUT), "");

        // By mouse: in the middle of the three decades stands 632 Hz, the mean of 20 and 20 k.
        let [left, top, width, height] = browser.place("#picture-1 .picture");
        let axis: Vec<f64> = browser
            .text("document.querySelector('#picture-1').dataset.axis")
            .split(' ')
            .map(|part| part.parse().unwrap())
            .collect();
        let x = left + width * (axis[0] + 1.5 * axis[1]) / axis[2];
        browser.point(x, top + 0.5 * height);
        let read = browser.text(READOUT);
        let hz: f64 = read.split(' ').next().unwrap().parse().unwrap();
        // A pixel is 1.9 % of frequency wide on the phone, and every second point of 48 an octave is read.
        assert!((hz / 632.5).log2().abs() < 0.06, "{read}");
        // The nearest place to what is printed without decimals.
        let place = plan.audit.grid.nearest(hz);
        for words in expected(plan, place) {
            assert!(read.contains(&words), "{words} in {read}");
        }

        // By keyboard: one step of the readout is two points of the grid.
        browser.tab_to("#picture-1 .stage");
        browser.press("ArrowRight", 39);
        let read = browser.text(READOUT);
        assert!(
            read.starts_with(&format!("{:.0} Hz", freqs_hz[place + 2])),
            "{read}"
        );
        for words in expected(plan, place + 2) {
            assert!(read.contains(&words), "{words} in {read}");
        }
        browser.press("Home", 36);
        let first = format!("{:.0} Hz", freqs_hz[0]);
        assert!(browser.text(READOUT).starts_with(&first));
        browser.press("End", 35);
        assert!(browser.text(READOUT).contains("kHz"));
    }
}

/// Whether the curve of the first switch is to be seen.
const IS_SHOWN: &str =
    "getComputedStyle(document.querySelector('#picture-1 [data-trace=\"1\"]')).display != 'none'";

#[test]
fn curves_are_switched_by_mouse_and_by_keyboard_even_without_script() {
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    browser.resize(1280, 900);
    for script in [true, false] {
        browser.call(
            "Emulation.setScriptExecutionDisabled",
            json!({"value": !script}),
        );
        browser.open(&pages(dir.path())[0]);
        assert_eq!(browser.value(IS_SHOWN), json!(true));
        browser.click("#picture-1-trace-1");
        assert_eq!(browser.value(IS_SHOWN), json!(false), "by mouse");
        if script {
            browser.tab_to("#picture-1 .stage");
            browser.press("ArrowRight", 39);
            let read = browser.text(READOUT);
            assert!(!read.contains("window, before"), "{read}");
            assert!(read.contains("window, after"), "{read}");
        }
        browser.value("document.querySelector('#picture-1-trace-1').focus()");
        browser.press(" ", 32);
        assert_eq!(browser.value(IS_SHOWN), json!(true), "by keyboard");
        if !script {
            // Numbers and words are all there.
            browser.click("#picture-1 + .numbers summary");
            let rows =
                browser.value("document.querySelectorAll('#picture-1 + .numbers tbody tr').length");
            assert!(rows.as_u64().is_some_and(|rows| rows > 25), "{rows}");
        }
    }
}

/// Words in pictures that are too small, out of the picture's sight, or on top of each other.
const UNREADABLE: &str = r"(() => {
  const faults = [];
  for (const svg of document.querySelectorAll('svg.picture')) {
    const boxes = [];
    for (const text of svg.querySelectorAll('text')) {
      const box = text.getBoundingClientRect();
      const name = text.textContent.trim();
      const size = parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a;
      if (size < 9) faults.push(name + ' is ' + size.toFixed(1) + ' pixels high');
      if (box.left < 0 || box.right > innerWidth + 0.5) faults.push(name + ' stands outside');
      for (const [other, b] of boxes) {
        const wide = Math.min(box.right, b.right) - Math.max(box.left, b.left);
        const high = Math.min(box.bottom, b.bottom) - Math.max(box.top, b.top);
        // Boxes have air above and below the letters.
        if (wide > 1 && high > 0.45 * box.height) faults.push(name + ' lies on ' + other);
      }
      boxes.push([name, box]);
    }
  }
  return faults.join('; ');
})()";

#[test]
fn every_label_can_be_read_on_a_phone_a_screen_and_paper() {
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    for page in pages(dir.path()) {
        for (width, height, medium) in [
            (390, 844, "screen"),
            (1280, 900, "screen"),
            (718, 1000, "print"),
        ] {
            browser.resize(width, height);
            browser.call("Emulation.setEmulatedMedia", json!({"media": medium}));
            browser.open(&page);
            let unreadable = browser.text(UNREADABLE);
            assert!(
                unreadable.is_empty(),
                "{} at {width}, {medium}: {unreadable}",
                page.display()
            );
            let wide = browser.value("document.documentElement.scrollWidth");
            assert!(
                wide.as_u64().is_some_and(|wide| wide <= u64::from(width)),
                "{} at {width}: {wide} pixels wide",
                page.display()
            );
        }
    }
}

#[test]
fn hostile_names_stay_text_and_stay_within_the_page() {
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let long = "Lang".repeat(75);
    for name in [
        "<script>window.hit = 1</script>",
        "</script><img src=x onerror='window.hit = 1'>",
        "\"quoted\" & 'quoted'",
        "\u{5e9}\u{5dc}\u{5d5}\u{5dd} \u{202e}turned",
        "\u{1f50a}\u{1f1fa}\u{1f1f3} loud",
        &long,
    ] {
        let mut hostile = plans().clone();
        hostile[0].speaker = name.to_string();
        hostile[0].target.name = name.to_string();
        let entry = Entry {
            folder: name.replace('/', "_").into(),
            outcome: Ok(Summary::of(&hostile[0])),
        };
        let pages = [
            report(&hostile[0]),
            rank_page(&[entry], &about()),
            compare_page(&hostile, &about()).unwrap(),
        ];
        for (kind, page) in pages.iter().enumerate() {
            let path = dir.path().join("page.html");
            std::fs::write(&path, page).unwrap();
            browser.resize(390, 844);
            browser.open(&path);
            let shown = browser.text("document.body.innerText.replace(/\\s+/g, ' ')");
            let shown_name = name.replace('\u{202e}', "\u{fffd}");
            let wanted: Vec<&str> = shown_name.split_whitespace().collect();
            assert!(shown.contains(&wanted.join(" ")), "{kind}: {name:?}");
            assert_eq!(browser.value("String(window.hit)"), json!("undefined"));
            assert_eq!(
                browser.value("document.querySelectorAll('img').length"),
                json!(0)
            );
            let wide = browser.value("document.documentElement.scrollWidth");
            assert_eq!(wide, json!(390), "{kind}: {name:?}");
            let (_, complaints) = browser.requests_and_complaints();
            assert!(complaints.is_empty(), "{kind}: {complaints:?}");
        }
    }
}

/// axe-core, which `.ci/run` fetches; `PLANISH_AXE` names another place, or `none` where it cannot
/// be had.
fn axe() -> Option<String> {
    let elsewhere = std::env::var_os("PLANISH_AXE");
    if elsewhere.as_ref().is_some_and(|place| place == "none") {
        shout("axe-core cannot be had, so accessibility was not checked");
        return None;
    }
    let path = elsewhere.map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("target/axe/package/axe.min.js"),
        PathBuf::from,
    );
    let script = std::fs::read_to_string(path).ok();
    if script.is_none() {
        skip("axe-core is not at target/axe, so accessibility was not checked (see .ci/run)");
    }
    script
}

#[test]
fn an_accessibility_check_finds_nothing_serious() {
    let Some(axe) = axe() else {
        return;
    };
    let Some(mut browser) = Browser::start() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    for page in pages(dir.path()) {
        for scheme in ["light", "dark"] {
            for width in [390, 1280] {
                browser.prefer(scheme);
                browser.resize(width, 900);
                browser.open(&page);
                browser.value("document.querySelectorAll('details').forEach(d => d.open = true)");
                browser.value(&format!("{axe}; 0"));
                let found = browser.value(
                    "axe.run().then(r => r.violations.filter(v => v.impact == 'serious' || v.impact == 'critical').map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 200)).join(' | ')))",
                );
                assert_eq!(found, json!([]), "{} {scheme} {width}", page.display());
            }
        }
    }
}
