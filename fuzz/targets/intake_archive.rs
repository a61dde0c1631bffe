#![no_main]

use std::io::Cursor;

use intake::archive::{DEEPEST, list, open};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let mut layer = bytes.to_vec();
    for _ in 0..DEEPEST {
        let live = layer.len() * 2 + (32 << 20);
        let mut source = Cursor::new(layer);
        let Ok(listing) = list(&mut source) else { return };
        assert!(listing.members.len() + listing.findings.len() <= 64_001);
        let mut next = None;
        for member in &listing.members {
            let parts: Vec<&str> = member.path.split('/').collect();
            assert!(!parts.iter().any(|part| matches!(*part, "" | "." | "..")), "{:?}", member.path);
            assert!(!member.path.chars().any(char::is_control));
        }
        for member in listing.members.iter().take(3) {
            if let Ok(content) = open(&mut source, &member.path) {
                assert!(content.len() <= live);
                assert_eq!(content.len() as u64, member.size);
                next = Some(content);
            }
        }
        let Some(content) = next else { return };
        layer = content;
    }
});
