#![no_main]

use image::descriptor::regions;
use image::nvm::{Nvm, set_address};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    // A descriptor claims regions of a chip; the network NVM is read wherever one may lie.
    if let Ok(found) = regions(input) {
        for region in found {
            assert!(region.range.start < region.range.end, "{region:?}");
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
