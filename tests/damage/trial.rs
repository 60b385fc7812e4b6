//! One damaged input put to its use.

use super::sound::{Kind, Use};
use planish::average::RearWall;
use planish::fit;
use planish::run::{self, PlanOptions, Speaker};
use planish::{Error, read};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::LazyLock;
use std::time::Instant;

pub enum Outcome {
    Result,
    Error { message: String, placed: bool },
    NotFinite(String),
    Panic(String),
}

pub struct Tried {
    pub outcome: Outcome,
    /// Processor time of reading, s.
    pub reading_s: f64,
}

/// Processor time of this process so far, s: the clock on the wall runs on when others compute.
/// Where the system does not tell, that clock it is.
fn processor_s() -> f64 {
    static BEGUN: LazyLock<Instant> = LazyLock::new(Instant::now);
    let wall_s = BEGUN.elapsed().as_secs_f64();
    // Fields 14 and 15, in hundredths of a second. Source: proc(5).
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat
        .rsplit_once(") ")
        .map_or("", |(_, rest)| rest)
        .split(' ')
        .collect();
    let ticks = |field: usize| -> Option<f64> { fields.get(field - 3)?.parse().ok() };
    match (ticks(14), ticks(15)) {
        (Some(user), Some(system)) => (user + system) / 100.0,
        _ => wall_s,
    }
}

/// Reads the input in `dir` and, with `plans`, goes on to what it is read for.
pub fn tried(kind: &Kind, dir: &Path, plans: bool) -> Tried {
    let begun_s = processor_s();
    let mut reading_s = None;
    let result = catch_unwind(AssertUnwindSafe(|| {
        let first = dir.join(&kind.files[0].0);
        used(kind, dir, &first, plans, &mut || {
            reading_s = Some(processor_s() - begun_s)
        })
    }));
    let outcome = match result {
        Ok(Ok(None)) => Outcome::Result,
        Ok(Ok(Some(what))) => Outcome::NotFinite(what),
        Ok(Err(error)) => {
            let message = error.to_string().replace(&dir.display().to_string(), "DIR");
            let placed = is_placed(&error, &message);
            Outcome::Error { message, placed }
        }
        Err(panic) => {
            let text = panic.downcast_ref::<String>().cloned();
            let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| text.to_string()));
            Outcome::Panic(format!("panic: {}", text.unwrap_or_default()))
        }
    };
    let reading_s = reading_s.unwrap_or_else(|| processor_s() - begun_s);
    Tried { outcome, reading_s }
}

/// A device of one stage: planning is not what is tried here.
fn options() -> PlanOptions {
    PlanOptions {
        stages: Some(2),
        effort: Some(0.0),
        ..PlanOptions::default()
    }
}

/// Puts the input to its use; `has_read` is called after reading. `Some` where a number that is
/// not finite came out.
fn used(
    kind: &Kind,
    dir: &Path,
    first: &Path,
    plans: bool,
    has_read: &mut dyn FnMut(),
) -> Result<Option<String>, Error> {
    let listed = dir.join("filters.txt");
    match kind.used {
        Use::Speaker => {
            let sofa = dir.join("a.sofa");
            let path = if kind.files.len() == 1 && sofa.is_file() {
                &sofa
            } else {
                dir
            };
            let speaker = Speaker::read(path, RearWall::ThreePoints)?;
            let _ = speaker.folder.read_second_unit()?;
            let _ = read::missing::missing(&speaker.folder);
            has_read();
            if let Some(odd) = odd(&format!("{:?}", speaker.curves)) {
                return Ok(Some(odd));
            }
            if !plans {
                return Ok(None);
            }
            let plan = run::plan(&speaker, &options())?;
            let mut text = format!("{:?} {:?} {:?}", plan.audit, plan.fit, plan.prediction);
            for (name, content) in run::plan_files(&plan, &speaker, "planish plan", None)? {
                if name.ends_with(".csv") || name.ends_with(".txt") {
                    text.push_str(&String::from_utf8_lossy(&content));
                }
            }
            Ok(odd(&text))
        }
        Use::Device => {
            let device = read::device::device(&first.display().to_string())?;
            has_read();
            Ok(odd(&format!("{device:?}")))
        }
        Use::Target => {
            let target = read::target::target(&first.display().to_string())?;
            has_read();
            Ok(odd(&format!("{target:?}")))
        }
        Use::Wanted => {
            let wanted = read::wanted::read(first)?;
            has_read();
            if !plans {
                return Ok(odd(&format!("{wanted:?}")));
            }
            let few = fit::Options {
                stages: Some(1),
                effort: 0.0,
                ..fit::Options::default()
            };
            let (fitted, _) = run::fit_curve(first, None, &few)?;
            Ok(odd(&format!("{fitted:?}")))
        }
        Use::List { .. } => {
            let checked = run::check::check(&listed, None, false)?;
            has_read();
            let text = planish::export::checked::json(&checked.list, &checked.sound, None);
            Ok(odd(&format!("{:?} {text}", checked.list)))
        }
        Use::Loopback => {
            let measured = read::loopback::read(first)?;
            has_read();
            if let Some(odd) = odd(&format!("{measured:?}")) {
                return Ok(Some(odd));
            }
            let checked = run::check::check(&listed, Some(first), true)?;
            Ok(odd(&format!("{:?}", checked.compared)))
        }
        Use::After => {
            let (_, after) = run::check::check_after(first, dir, RearWall::ThreePoints)?;
            has_read();
            Ok(odd(&format!("{after:?}")))
        }
        Use::Sound => {
            let out = dir.join("out.wav");
            let plain = run::apply::ApplyOptions::default();
            let applied = run::apply::apply(&listed, first, &out, &plain, &mut |_, _| {});
            has_read();
            assert_eq!(
                applied.is_ok(),
                out.exists(),
                "output exactly when there is no error"
            );
            applied.map(|_| None)
        }
    }
}

/// A word for a number that is not finite, with what stands before it.
fn odd(text: &str) -> Option<String> {
    let is_word = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    for odd in ["NaN", "inf"] {
        for (at, _) in text.match_indices(odd) {
            let before = text[..at].chars().next_back();
            let after = text[at + odd.len()..].chars().next();
            if !is_word(before) && !is_word(after) {
                let from = text[..at]
                    .char_indices()
                    .rev()
                    .nth(160)
                    .map_or(0, |(i, _)| i);
                return Some(text[from..at + odd.len()].to_string());
            }
        }
    }
    None
}

/// Whether a message names a file of the input and the place in it: line and column, a byte, a
/// variable of a SOFA file; or is about a file as a whole.
fn is_placed(error: &Error, message: &str) -> bool {
    let names_file = message.starts_with("DIR");
    let inside = match error {
        Error::Input {
            file, line, found, ..
        } => {
            // A speaker folder as a whole has no lines, a file that cannot be opened neither.
            let whole = file.is_dir()
                || [
                    "a file",
                    "a folder",
                    "something that is no file",
                    "an empty file",
                ]
                .contains(&found.as_str());
            line.is_some() || whole || found.contains("byte ") || is_about_a_part(message)
        }
        Error::File { .. } => true,
        _ => false,
    };
    names_file && inside
}

/// SOFA and sound files have no lines; their places are attributes, variables and what the head
/// says, or their beginning or end.
fn is_about_a_part(message: &str) -> bool {
    let head = ["does not begin as", "at offset ", "found a rate of "];
    let names = [
        "Data.",
        "Position",
        "View",
        "Up",
        "N ",
        " of N,",
        " in N,",
        "no N,",
        "SOFA convention",
        "SOFAConventions",
        "DataType",
        "measurement ",
        "receiver ",
    ];
    if head.iter().any(|words| message.contains(words)) {
        return true;
    }
    message.contains(".sofa: ") && names.iter().any(|name| message.contains(name))
}
