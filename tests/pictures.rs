//! The pictures of the README are those that the demo speakers give today.

#[path = "../examples/pictures.rs"]
mod pictures;

use std::fs;
use std::path::Path;

#[test]
fn the_pictures_of_the_readme_are_current_and_shown() {
    let readme = fs::read_to_string("README.md").unwrap();
    let drawn = pictures::drawn().unwrap();
    assert_eq!(fs::read_dir(pictures::FOLDER).unwrap().count(), drawn.len());
    for (name, content) in drawn {
        let path = Path::new(pictures::FOLDER).join(&name);
        let kept = fs::read(&path).unwrap_or_default();
        assert!(
            kept == content,
            "{} is not current: cargo run --release --example pictures",
            path.display()
        );
        let shown = format!("({}/{name})", pictures::FOLDER);
        assert!(readme.contains(&shown), "the README does not show {name}");
    }
}
