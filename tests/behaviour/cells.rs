//! The cells of tables that show many plans, against JSON.

use super::made::printed;
use serde_json::Value;
use std::fs;
use std::path::Path;

fn percent(value: &Value) -> String {
    format!("{:.0} %", 100.0 * value.as_f64().expect("a share"))
}

fn one_digit(value: &Value) -> String {
    format!("{:.1}", value.as_f64().expect("a number"))
}

/// What stands in the columns from the deviation to the number of stages.
fn cells_of(row: &Value, to: &str) -> Vec<String> {
    let pair = |before: &str, after: &str| {
        format!(
            "{} {to} {}",
            one_digit(&row[before]),
            one_digit(&row[after])
        )
    };
    vec![
        pair("deviation_before_db", "deviation_after_db"),
        percent(&row["reach"]),
        percent(&row["yield"]),
        one_digit(&row["price_db"]),
        pair("rating_before", "rating_after"),
        row["stages"].to_string(),
    ]
}

/// The text between the marks of a page's fragment, blanks put together.
fn text_of(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for letter in html.chars() {
        match letter {
            '<' => inside = true,
            '>' => inside = false,
            _ if !inside => text.push(letter),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The rows of the body of a page's table of plans, cell by cell.
fn page_rows(page: &str) -> Vec<Vec<String>> {
    let start = page.find("<table class=\"places\"").expect("the table");
    let table = &page[start..start + page[start..].find("</table>").unwrap()];
    let body = table.split("<tbody>").nth(1).unwrap();
    body.split("</tr>")
        .filter(|row| row.contains("<td"))
        .map(|row| row.split("</td>").map(text_of).collect())
        .collect()
}

fn assert_cells(terminal: &str, page: &str, rows: &[Value]) {
    let page_rows = page_rows(page);
    assert_eq!(page_rows.len(), rows.len());
    for (row, cells) in rows.iter().zip(page_rows) {
        let wanted = cells_of(row, "\u{2192}");
        // Number and name stand in the first cell of the split, then one cell for each column.
        assert_eq!(cells[1..1 + wanted.len()], wanted[..], "{cells:?}");
        let words = cells_of(row, "\u{2192}").join(" ");
        let found = terminal.lines().any(|line| {
            line.split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
                .contains(&words)
        });
        assert!(found, "{words}:\n{terminal}");
    }
    // Reach and yield differ as printed, so that one cannot stand for the other.
    assert!(
        rows.iter()
            .any(|r| percent(&r["reach"]) != percent(&r["yield"]))
    );
}

/// Copies a demo speaker into `root`.
fn copy(demo: &str, root: &Path) {
    let to = root.join(demo);
    fs::create_dir_all(&to).unwrap();
    for file in ["speaker.toml", "horizontal.csv", "vertical.csv"] {
        fs::copy(Path::new("examples").join(demo).join(file), to.join(file)).unwrap();
    }
}

#[test]
fn the_tables_of_rank_and_compare_hold_the_numbers_of_json_under_their_own_heads() {
    let root = tempfile::tempdir().unwrap();
    let out = tempfile::tempdir().unwrap();
    for demo in ["quayside_5", "lantern_8"] {
        copy(demo, root.path());
    }
    let (shelf, dir) = (root.path().to_str().unwrap(), out.path().to_str().unwrap());
    let terminal = printed(&["rank", shelf, "--stages", "2", "--out", dir]);
    let json: Value =
        serde_json::from_str(&printed(&["rank", shelf, "--stages", "2", "--json"])).unwrap();
    let page = fs::read_to_string(out.path().join("rank.html")).unwrap();
    assert_cells(&terminal, &page, json["speakers"].as_array().unwrap());
    let heads = text_of(
        page.split("<thead>")
            .nth(1)
            .unwrap()
            .split("</thead>")
            .next()
            .unwrap(),
    );
    assert!(heads.contains("reach"), "{heads}");

    let both = ["examples/quayside_5", "examples/lantern_8"];
    let terminal = printed(&[&["compare"][..], &both, &["--stages", "3", "--out", dir]].concat());
    let json = printed(&[&["compare"][..], &both, &["--stages", "3", "--json"]].concat());
    let json: Value = serde_json::from_str(&json).unwrap();
    let page = fs::read_to_string(out.path().join("compare.html")).unwrap();
    let rows = json
        .as_object()
        .unwrap()
        .values()
        .find_map(Value::as_array)
        .unwrap();
    assert_cells(&terminal, &page, rows);
    // The heads stand in the order of the cells.
    let order = ["deviation", "reach", "yield", "price", "rating", "stages"];
    for text in [terminal.replace("dB rms", "deviation"), heads] {
        let places: Vec<usize> = order.iter().map(|head| text.find(head).unwrap()).collect();
        assert!(places.is_sorted(), "{text}");
    }
}
