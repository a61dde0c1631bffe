//! A recipe whose part comes out of the vendor's own disc: from a file, from the vault, the same bytes each time.

use std::path::{Path, PathBuf};

use image::compose::ComposeError;
use image::scenario::{LARKSPUR_MAC, PLACEHOLDER_MAC, larkspur_main, meadowlark_completed, meadowlark_main};
use job::JobError;
use job::compose::{ComposeRequest, compose};
use job::demo::update_disc;
use job::vault::Digest;

use crate::bench::Bench;

#[test]
fn a_recipe_with_a_chain_composes_to_the_same_bytes_from_a_file_and_from_the_vault() {
    let bench = Bench::new();
    let recipe = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../profiles/recipes/larkspur-main.toml");
    let capture = Some(bench.put("main as found", &larkspur_main(7, LARKSPUR_MAC)).to_string());
    let file = |name: &str, bytes: &[u8]| -> PathBuf {
        std::fs::write(bench.file(name), bytes).expect("written");
        bench.file(name)
    };
    let meadowlark = file("meadowlark.bin", &meadowlark_main(7, PLACEHOLDER_MAC));
    let composed = |with: Vec<PathBuf>| {
        let (recipe, capture) = (recipe.clone(), capture.clone());
        compose(&bench.dir(), &ComposeRequest { recipe, capture, with, ..ComposeRequest::default() })
    };
    // Another disc than the pinned one is none, though the part in it is whole.
    let mut other = update_disc();
    let last = other.len() - 1;
    other[last] ^= 1;
    let other = file("other.iso", &other);
    let Err(JobError::Compose(error)) = composed(vec![meadowlark.clone(), other.clone()]) else { panic!("composed") };
    assert!(matches!(*error, ComposeError::Missing { .. }), "{error}");
    assert!(error.remedy().contains("--with"), "{}", error.remedy());

    let wanted = Digest::blake3(&meadowlark_completed(7, LARKSPUR_MAC)).to_string();
    let disc = file("update.iso", &update_disc());
    let from_file = composed(vec![meadowlark.clone(), other, disc]).expect("all is there");
    assert_eq!(from_file.content, wanted);
    bench.put("update 1.18", &update_disc());
    let from_vault = composed(vec![meadowlark]).expect("the vault has the disc");
    assert_eq!((from_vault.content, from_vault.steps), (wanted, from_file.steps));
    let left: Vec<_> =
        std::fs::read_dir(bench.dir()).expect("the bench").flatten().map(|entry| entry.file_name()).collect();
    assert!(!left.iter().any(|name| name.to_string_lossy().contains("tmp")), "{left:?}");
}
