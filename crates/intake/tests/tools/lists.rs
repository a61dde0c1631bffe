//! Lists as coreutils make them.

use std::fs;

use intake::digest::{Sum, sums};
use intake::list::{List, check, needed};

use crate::{installed, noise, run};

#[test]
fn lists_of_every_tool_vouch_for_what_they_are_of() {
    if !installed(&["md5sum", "sha1sum", "sha224sum", "sha256sum", "sha384sum", "sha512sum", "b2sum"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let names = ["x.bin", "with space (1).bin", "back\\slash.bin", "two\nlines.bin", "*star"];
    for (number, name) in names.iter().enumerate() {
        fs::write(at.join(name), noise(1000 + number)).unwrap();
    }
    for tool in ["md5sum", "sha1sum", "sha224sum", "sha256sum", "sha384sum", "sha512sum", "b2sum"] {
        for options in ["", "-b", "--tag"] {
            let list = run(at, &format!("{tool} {options} -- *"));
            let list = List::parse(list.as_bytes()).unwrap();
            assert_eq!(list.passed_over, 0);
            for (number, name) in names.iter().enumerate() {
                let found = list.about(name).unwrap();
                assert_eq!(found.len(), 1, "{tool} {options} {name:?}");
                let content = noise(1000 + number);
                let (sums, _) = sums::<()>(&mut content.as_slice(), &needed(&found), Vec::new()).unwrap();
                let agrees = check(&found, &sums, true).unwrap();
                assert_eq!(agrees[0].kind.is_weak(), ["md5sum", "sha1sum"].contains(&tool));
                let mut other = content;
                other[500] ^= 1;
                let (sums, _) = intake::digest::sums::<()>(&mut other.as_slice(), &needed(&found), Vec::new()).unwrap();
                assert!(check(&found, &sums, true).is_err());
            }
        }
    }
    // A tag that the tool writes is the kind that it is.
    let tagged = List::parse(run(at, "b2sum --tag x.bin").as_bytes()).unwrap();
    assert_eq!(tagged.entries[0].kinds, [Sum::Blake2b]);
}
