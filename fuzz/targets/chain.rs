#![no_main]

use image::chain::Chain;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match text.parse::<Chain>() {
        // What was read is written so that it reads back.
        Ok(chain) => assert_eq!(chain.to_string().parse(), Ok(chain)),
        Err(error) => assert!(!error.to_string().is_empty()),
    }
});
