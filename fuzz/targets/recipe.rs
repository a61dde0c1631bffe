#![no_main]

use image::recipe::Recipe;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match Recipe::parse(text, "fuzz.toml") {
        Ok(recipe) => drop(recipe.sources()),
        // Each mistake is shown to a person, with its place.
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
