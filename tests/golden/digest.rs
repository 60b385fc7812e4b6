//! Long outputs in few lines: pages as their words, long rows of numbers as a checksum.

use std::fmt::Write;
use std::path::Path;

/// Rows of numbers longer than this are given by count and checksum.
const LONG: usize = 16;

/// What stands on standard output: JSON in its short form, all else as it is.
pub fn printed(text: &str) -> String {
    match serde_json::from_str::<serde_json::Value>(text) {
        Ok(value) => json(&value),
        Err(_) if text.lines().count() > 200 => checksum(text.as_bytes()),
        Err(_) => text.to_string(),
    }
}

/// A written file by its kind.
pub fn file(path: &Path, bytes: &[u8]) -> String {
    let kind = path.extension().and_then(|e| e.to_str()).unwrap_or("");
    match (kind, std::str::from_utf8(bytes)) {
        ("json", Ok(text)) => printed(text),
        ("html", Ok(text)) => words(text),
        ("csv", Ok(text)) if text.lines().count() > 60 => {
            let head: Vec<&str> = text.lines().take(3).collect();
            format!("{}\n{}", head.join("\n"), checksum(bytes))
        }
        ("txt" | "csv" | "h", Ok(text)) => text.to_string(),
        _ => checksum(bytes),
    }
}

fn checksum(bytes: &[u8]) -> String {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(bytes);
    format!("({} bytes, crc32 {:08x})\n", bytes.len(), hasher.finalize())
}

/// One line for each value, with its path.
fn json(value: &serde_json::Value) -> String {
    let mut out = String::new();
    walk(&mut out, String::new(), value);
    out
}

fn walk(out: &mut String, path: String, value: &serde_json::Value) {
    match value {
        serde_json::Value::Object(members) => {
            for (name, member) in members {
                walk(out, format!("{path}.{name}"), member);
            }
        }
        serde_json::Value::Array(items) if items.len() > LONG && items[0].is_number() => {
            let text = value.to_string();
            let _ = write!(
                out,
                "{path} {} numbers {}",
                items.len(),
                checksum(text.as_bytes())
            );
        }
        serde_json::Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                walk(out, format!("{path}[{i}]"), item);
            }
            if items.is_empty() {
                let _ = writeln!(out, "{path} []");
            }
        }
        other => {
            let _ = writeln!(out, "{path} {other}");
        }
    }
}

/// The words of a page, a line for each run between tags; style and script by their checksums, and
/// the shapes of all pictures together by theirs.
fn words(page: &str) -> String {
    let mut out = String::new();
    let mut shapes = String::new();
    let mut rest = page;
    while let Some(open) = rest.find('<') {
        let run = rest[..open].trim();
        if !run.is_empty() {
            let _ = writeln!(out, "{run}");
        }
        rest = &rest[open..];
        let close = rest.find('>').map_or(rest.len(), |at| at + 1);
        let tag = &rest[..close];
        rest = &rest[close..];
        for name in ["style", "script"] {
            if tag.starts_with(&format!("<{name}"))
                && let Some(end) = rest.find(&format!("</{name}"))
            {
                let _ = write!(out, "({name}) {}", checksum(&rest.as_bytes()[..end]));
                rest = &rest[end..];
            }
        }
        if ["<path", "<line", "<rect", "<circle", "<poly"]
            .iter()
            .any(|shape| tag.starts_with(shape))
        {
            shapes.push_str(tag);
        }
    }
    let _ = write!(out, "(shapes) {}", checksum(shapes.as_bytes()));
    out
}
