#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let result = image::decode::lzma(input, fuzz::MAX_OUT);
    fuzz::check_bounds(input, &result);
    if let Ok(decoded) = result {
        // What stands behind the stream changes nothing.
        let alone = image::decode::lzma(&input[..decoded.used], fuzz::MAX_OUT);
        assert_eq!(alone.as_ref(), Ok(&decoded));
    }
});
