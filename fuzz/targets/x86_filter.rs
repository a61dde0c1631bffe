#![no_main]

use std::io::Read;

use libfuzzer_sys::fuzz_target;
use lzma_rust2::filter::bcj::BcjReader;

fuzz_target!(|input: &[u8]| {
    let mut ours = input.to_vec();
    image::decode::x86_filter(&mut ours);
    let mut theirs = Vec::new();
    BcjReader::new_x86(input, 0).read_to_end(&mut theirs).expect("a slice can be read");
    assert_eq!(ours, theirs);
});
