#![no_main]

use libfuzzer_sys::fuzz_target;
use media::medium::{Medium, file_systems};
use media::table::Table;

fuzz_target!(|input: &[u8]| {
    let input = input.to_vec();
    let _ = Table::read(&input).expect("memory can be read");
    for system in file_systems(&input).expect("memory can be read") {
        assert!(system.at < input.len() as u64);
    }
    let medium = Medium::read(&input).expect("memory can be read");
    for image in &medium.images {
        assert!(image.at + image.len <= medium.len, "{image:?}");
        let _ = image.files(&input);
    }
});
