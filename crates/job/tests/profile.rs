//! The two profiles of the worked example: they check clean, meet the published schema, and name the images that the project builds.

use std::path::{Path, PathBuf};

use job::profile::{ImageSource, JobKind, Profile, Severity, StepKind, sheet};
use sha2::{Digest, Sha256};

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../profiles").join(name)
}

fn load(name: &str) -> Profile {
    Profile::load(&file(name)).unwrap_or_else(|error| panic!("{error}; {:#?}", error.findings()))
}

#[test]
fn both_profiles_check_clean() {
    for name in ["larkspur-nine.toml", "teal-router.toml"] {
        let checked = Profile::check(&file(name)).unwrap_or_else(|error| panic!("{:#?}", error.findings()));
        // Recipes are files beside the profile; everything else has to be in order as it stands.
        let others: Vec<_> = checked
            .warnings
            .iter()
            .filter(|warning| warning.key.as_deref() != Some("[[variant.image]] recipe"))
            .collect();
        assert!(others.is_empty(), "{name}: {others:#?}");
        assert!(checked.warnings.iter().all(|warning| warning.severity == Severity::Warning));
    }
}

#[test]
fn the_port_image_is_the_one_that_the_project_builds() {
    let profile = load("larkspur-nine.toml");
    let variant = profile.variant("school").expect("there");
    let ImageSource::File(spec) = &variant.images[1].source else { panic!("a file") };
    let image = image::scenario::meadowlark_port(7);
    let hash: String = Sha256::digest(&image).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(spec.sha256, hash);
    assert_eq!(spec.size, image.len() as u64);
}
