#![no_main]

use image::descriptor::{Access, Layout, Master, access, regions, set_access};
use image::nvm::{Nvm, set_address};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    // A descriptor claims regions of a chip; the network NVM is read wherever one may lie.
    if let Ok(found) = regions(input) {
        for region in found {
            assert!(region.range.start < region.range.end, "{region:?}");
        }
    }
    for said in [None, Some(Layout::EightRegions), Some(Layout::TwelveRegions)] {
        for master in Master::ALL {
            let Ok(found) = access(input, master, said) else { continue };
            let mut again = input.to_vec();
            set_access(&mut again, master, said, Access { read: 1, write: 0 }).expect("what was read can be set");
            assert_eq!(access(&again, master, said).expect("it is there").access, Access { read: 1, write: 0 });
            set_access(&mut again, master, said, found.access).expect("and set back");
            assert!(again == input, "set back is as before");
        }
    }
    if let Ok(nvm) = Nvm::parse(input)
        && let Some(mac) = nvm.mac()
        // A group's address is shown, and never set.
        && mac.check_unicast().is_ok()
    {
        let mut again = input.to_vec();
        set_address(&mut again, mac).expect("an address that was read can be set");
        assert_eq!(Nvm::parse(&again).expect("it was read before").mac(), Some(mac));
    }
});
