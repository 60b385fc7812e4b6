//! The demo speakers under `examples/` are what the generator makes.

use std::fs;
use std::path::Path;

/// Levels are written to 0.01 dB; another machine's mathematical functions may round the last
/// digit the other way.
const LAST_DIGIT_DB: f64 = 0.0101;

#[test]
fn the_folders_under_examples_are_those_the_generator_makes() {
    for (folder, files) in planish::run::demo_files().unwrap() {
        for (name, made) in files {
            let path = Path::new("examples").join(folder).join(&name);
            let kept = fs::read_to_string(&path).unwrap();
            let (made_lines, kept_lines) = (made.lines(), kept.lines());
            assert_eq!(
                made_lines.clone().count(),
                kept_lines.clone().count(),
                "{path:?}"
            );
            for (made, kept) in made_lines.zip(kept_lines) {
                if made == kept {
                    continue;
                }
                for (a, b) in made.split(',').zip(kept.split(',')) {
                    let (a, b): (f64, f64) = match (a.parse(), b.parse()) {
                        (Ok(a), Ok(b)) => (a, b),
                        _ => panic!("{path:?}: \"{made}\" against \"{kept}\""),
                    };
                    assert!((a - b).abs() < LAST_DIGIT_DB, "{path:?}: {a} against {b}");
                }
            }
        }
    }
}
