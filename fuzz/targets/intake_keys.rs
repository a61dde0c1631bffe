#![no_main]

use intake::keys::{Pins, Standing};
use intake::proof::Scheme;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match Pins::parse(text) {
        Ok(pins) => {
            let again = Pins::parse(&pins.text()).expect("what was read can be written");
            assert_eq!(again, pins);
            for pin in &pins.keys {
                let scheme = Scheme::of(&pin.scheme).expect("read ones have a scheme");
                assert_ne!(pins.standing(&pin.origin, scheme, &pin.key), Standing::First);
            }
        }
        Err(error) => assert!(error.line >= 1),
    }
});
