#![no_main]

use image::decode::PositionBits;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| fuzz::check_packed(input, PositionBits::Tiano5));
