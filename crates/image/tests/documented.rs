//! Each code that the reader and the check can say stands in docs/formats.md, where a person looks it up.

#![allow(clippy::disallowed_methods, reason = "reads the sources")]

use std::path::Path;

const FAMILIES: [&str; 24] = [
    "descriptor",
    "region",
    "nvm",
    "partition",
    "volume",
    "file",
    "free",
    "section",
    "store",
    "variable",
    "ftw",
    "microcode",
    "fit",
    "capsule",
    "uf2",
    "budget",
    "more",
    "size",
    "density",
    "start",
    "address",
    "identity",
    "may",
    "nothing",
];

#[test]
fn each_code_stands_in_the_table() {
    let crate_folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let table = std::fs::read_to_string(crate_folder.join("../../docs/formats.md")).unwrap();
    let mut codes = 0;
    for folder in ["src/explain", "src/check", "src"] {
        for entry in std::fs::read_dir(crate_folder.join(folder)).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let said = folder != "src" || name == "check.rs";
            if !said || path.extension().is_none_or(|it| it != "rs") || ["tests.rs", "guid.rs"].contains(&name.as_str())
            {
                continue;
            }
            let source = std::fs::read_to_string(&path).unwrap();
            for code in source.split('"').skip(1).step_by(2).filter(|text| is_code(text)) {
                codes += 1;
                assert!(table.contains(&format!("`{code}`")), "{code} of {} is not in docs/formats.md", path.display());
            }
        }
    }
    assert!(codes > 80, "{codes} codes were found in the sources");
}

fn is_code(text: &str) -> bool {
    let plain = text.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    plain && text.split_once('-').is_some_and(|(family, rest)| FAMILIES.contains(&family) && !rest.is_empty())
}
