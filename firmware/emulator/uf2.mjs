// The UF2 file as the boot ROM takes it: blocks of 512 bytes (UF2 specification), the second stage with its sum
// (RP2040 data sheet, "Flash Second Stage").

const FLASH = 0x10000000;
const RP2040 = 0xe48bff56;

/** Returns the flash content that a UF2 file describes, and throws on what the boot ROM would pass over. */
export function flashOf(uf2) {
  if (!uf2.length || uf2.length % 512) throw new Error('a UF2 file has whole blocks of 512 bytes');
  const blocks = uf2.length / 512;
  const flash = Buffer.alloc(blocks * 256, 0xff);
  for (let at = 0; at < blocks; at++) {
    const block = uf2.subarray(at * 512, at * 512 + 512);
    const word = (n) => block.readUInt32LE(n * 4);
    const good = word(0) === 0x0a324655 && word(1) === 0x9e5d5157 && block.readUInt32LE(508) === 0x0ab16f30
      && word(2) === 0x2000 && word(3) === FLASH + at * 256 && word(4) === 256 && word(5) === at && word(6) === blocks
      && word(7) === RP2040;
    if (!good) throw new Error(`block ${at} of the UF2 file is not as the specification says`);
    block.copy(flash, at * 256, 32, 288);
  }
  if (sumOfSecondStage(flash) !== flash.readUInt32LE(252)) throw new Error('the second stage has a wrong sum');
  return flash;
}

/** CRC-32/MPEG-2 over 252 bytes. */
function sumOfSecondStage(flash) {
  let sum = 0xffffffff;
  for (const byte of flash.subarray(0, 252)) {
    sum ^= byte << 24;
    for (let bit = 0; bit < 8; bit++) sum = sum & 0x80000000 ? (sum << 1) ^ 0x04c11db7 : sum << 1;
  }
  return sum >>> 0;
}
