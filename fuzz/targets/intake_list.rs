#![no_main]

use intake::digest::sums;
use intake::list::{Entry, List, check, needed};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(list) = List::parse(bytes) else { return };
    let names: Vec<String> = list.entries.iter().filter_map(|entry| entry.name.clone()).take(4).collect();
    for name in &names {
        let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
        match list.about(file) {
            Ok(found) => {
                assert!(!found.is_empty());
                let (sums, _) = sums::<()>(&mut &b"some file"[..], &needed(&found), Vec::new()).expect("memory");
                // Every entry agrees, or none vouches. (The fuzzer does find this file's hashes: it sees them compared.)
                if let Ok(agrees) = check(&found, &sums, true) {
                    assert_eq!(agrees.len(), found.len());
                    assert!(agrees.iter().all(|one| sums.digits(one.kind) == Some(one.digits.as_str())));
                }
            }
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
    for entry in &list.entries {
        assert!(Entry::bare(&entry.digits).is_ok_and(|bare| bare.digits == entry.digits));
    }
});
