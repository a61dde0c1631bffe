//! Plugs the device at the other end of a virtio-serial port into the guest kernel's virtual USB host controller (vhci-hcd).
//!
//! usage: plug NAME     prints `port N`, and carries the bytes until the device is gone
//!        plug out N    pulls port N
//!
//! The kernel wants a socket and gets one end of a pair (USB/IP, Documentation/usb/usbip_protocol.rst); the other end and the serial
//! port are copied into each other here. Built by rustc alone, for the guest of `scripts/usb-guest`.

use std::fs::{File, read_dir, read_to_string, write};
use std::io::{Error, Read, Result, Write};
use std::net::Shutdown;
use std::os::fd::AsRawFd;
use std::os::unix::net::UnixStream;

const HUB: &str = "/sys/devices/platform/vhci_hcd.0";
/// State of a port with nothing in it (include/uapi/linux/usbip.h, `VDEV_ST_NULL`).
const FREE: &str = "004";

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["out", port] => write(format!("{HUB}/detach"), port),
        [name] => plug(name),
        _ => Err(Error::other("usage: plug NAME | plug out PORT")),
    }
}

fn plug(name: &str) -> Result<()> {
    let named = |folder: &std::fs::DirEntry| read_to_string(folder.path().join("name")).is_ok_and(|is| is.trim() == name);
    let folder = read_dir("/sys/class/virtio-ports")?.flatten().find(named).ok_or_else(|| Error::other("no such port"))?;
    let node = format!("/dev/{}", folder.file_name().to_string_lossy());
    let mut device = File::options().read(true).write(true).open(node)?;
    let (id, speed) = import(&mut device)?;
    let (kernel, ours) = UnixStream::pair()?;
    let status = read_to_string(format!("{HUB}/status"))?;
    let free = |line: &str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        (words.len() > 2 && words[0] == "hs" && words[2] == FREE).then(|| words[1].parse::<u32>().ok()).flatten()
    };
    let port = status.lines().find_map(free).ok_or_else(|| Error::other("no free port"))?;
    write(format!("{HUB}/attach"), format!("{port} {} {id} {speed}", kernel.as_raw_fd()))?;
    drop(kernel);
    println!("port {port}");
    let (mut to_device, from_kernel) = (device.try_clone()?, ours.try_clone()?);
    let mut goodbye = device.try_clone()?;
    std::thread::spawn(move || {
        carry(from_kernel, &mut to_device);
        // No such command: the device hangs up, which QEMU does not do for us.
        let _ = goodbye.write_all(&[0; 48]);
    });
    carry(device, &mut &ours);
    let _ = ours.shutdown(Shutdown::Both);
    Ok(())
}

/// OP_REQ_IMPORT of the only device.
fn import(device: &mut File) -> Result<(u32, u32)> {
    let mut request = vec![1, 0x11, 0x80, 3, 0, 0, 0, 0];
    request.extend(b"1-1");
    request.resize(40, 0);
    device.write_all(&request)?;
    let mut reply = [0; 320];
    device.read_exact(&mut reply)?;
    let word = |at: usize| u32::from_be_bytes(reply[at..at + 4].try_into().expect("four bytes"));
    if word(4) != 0 {
        return Err(Error::other("the device refuses"));
    }
    Ok((word(296) << 16 | word(300), word(304)))
}

fn carry(mut from: impl Read, to: &mut impl Write) {
    let mut bytes = vec![0; 1 << 16];
    while let Ok(count) = from.read(&mut bytes) {
        if count == 0 || to.write_all(&bytes[..count]).is_err() {
            return;
        }
    }
}
