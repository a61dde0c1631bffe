//! The USB device: a vendor interface with a bulk pair, and a serial port (CDC-ACM) for hosts that cannot use it.
//!
//! Windows binds its own driver to the vendor interface because of the "Microsoft OS 2.0" descriptors, which name the driver and the
//! identifier under which programs find the interface. Linux and others need nothing.
//!
//! Packets are filled before they are sent, so that an answer of many frames comes in full packets and ends with one that is not.

use embassy_rp::Peri;
use embassy_rp::peripherals::USB;
use embassy_rp::usb::{Driver, Endpoint, In, Out};
use embassy_usb::class::cdc_acm::{CdcAcmClass, Receiver, Sender, State};
use embassy_usb::driver::{Endpoint as _, EndpointError, EndpointIn, EndpointOut};
use embassy_usb::msos::{
    CompatibleIdFeatureDescriptor, PropertyData, RegistryPropertyFeatureDescriptor, windows_version,
};
use embassy_usb::{Builder, Config, Handler, UsbDevice};
use engine::{Gone, Inbox, Outbox, Post};
use static_cell::{ConstStaticCell, StaticCell};
use wire::{USB_INTERFACE_CLASS, USB_INTERFACE_GUID, USB_MANUFACTURER_TEXT, USB_PRODUCT, USB_PRODUCT_TEXT, USB_VENDOR};

use crate::Irqs;

type UsbDriver = Driver<'static, USB>;

/// Bytes of a bulk packet at full speed.
const PACKET: usize = 64;
/// The vendor request by which Windows asks for the descriptors: any number that nothing else uses.
const MSOS_VENDOR_CODE: u8 = 0x46;

/// The device and its two pipes.
pub struct Usb {
    pub device: UsbDevice<'static, UsbDriver>,
    pub bulk: (BulkInbox, Packer<BulkOutbox>),
    pub port: (PortInbox, Packer<PortOutbox>),
}

/// Builds the device. `posts` are told when the bus is reset, suspended or gone.
pub fn new(usb: Peri<'static, USB>, serial: &'static str, posts: &'static [Post; 2]) -> Usb {
    static CONFIGURATION: ConstStaticCell<[u8; 256]> = ConstStaticCell::new([0; 256]);
    static BOS: ConstStaticCell<[u8; 64]> = ConstStaticCell::new([0; 64]);
    static MSOS: ConstStaticCell<[u8; 256]> = ConstStaticCell::new([0; 256]);
    static CONTROL: ConstStaticCell<[u8; 256]> = ConstStaticCell::new([0; 256]);
    static PORT: StaticCell<State> = StaticCell::new();
    static WATCHER: StaticCell<Watcher> = StaticCell::new();

    let mut config = Config::new(USB_VENDOR, USB_PRODUCT);
    config.manufacturer = Some(USB_MANUFACTURER_TEXT);
    config.product = Some(USB_PRODUCT_TEXT);
    config.serial_number = Some(serial);
    config.max_power = 250;
    let driver = Driver::new(usb, Irqs);
    let mut builder = Builder::new(driver, config, CONFIGURATION.take(), BOS.take(), MSOS.take(), CONTROL.take());
    builder.msos_descriptor(windows_version::WIN8_1, MSOS_VENDOR_CODE);
    builder.handler(WATCHER.init(Watcher { posts }));

    let (class, subclass, protocol) = USB_INTERFACE_CLASS;
    let mut function = builder.function(class, subclass, protocol);
    function.msos_feature(CompatibleIdFeatureDescriptor::new("WINUSB", ""));
    function.msos_feature(RegistryPropertyFeatureDescriptor::new(
        "DeviceInterfaceGUIDs",
        PropertyData::RegMultiSz(&[USB_INTERFACE_GUID]),
    ));
    let mut interface = function.interface();
    let mut setting = interface.alt_setting(class, subclass, protocol, None);
    let out = setting.endpoint_bulk_out(None, PACKET as u16);
    let into = setting.endpoint_bulk_in(None, PACKET as u16);
    drop(function);
    let (sender, receiver) = CdcAcmClass::new(&mut builder, PORT.init(State::new()), PACKET as u16).split();
    Usb {
        device: builder.build(),
        bulk: (BulkInbox(out), Packer::new(BulkOutbox(into))),
        port: (PortInbox(receiver), Packer::new(PortOutbox(sender))),
    }
}

/// Tells both pipes at once when the host goes.
struct Watcher {
    posts: &'static [Post; 2],
}

impl Watcher {
    fn gone(&self) {
        for post in self.posts {
            post.gone();
        }
    }
}

impl Handler for Watcher {
    fn enabled(&mut self, _enabled: bool) {
        self.gone();
    }

    fn reset(&mut self) {
        self.gone();
    }

    fn configured(&mut self, configured: bool) {
        if !configured {
            self.gone();
        }
    }

    fn suspended(&mut self, suspended: bool) {
        if suspended {
            self.gone();
        }
    }
}

/// The host's bytes on the bulk pair.
pub struct BulkInbox(Endpoint<'static, USB, Out>);

impl Inbox for BulkInbox {
    async fn attached(&mut self) {
        self.0.wait_enabled().await;
    }

    async fn read(&mut self, into: &mut [u8; 64]) -> Result<usize, Gone> {
        self.0.read(into).await.map_err(gone)
    }
}

/// The host's bytes on the serial port.
pub struct PortInbox(Receiver<'static, UsbDriver>);

impl Inbox for PortInbox {
    async fn attached(&mut self) {
        self.0.wait_connection().await;
    }

    async fn read(&mut self, into: &mut [u8; 64]) -> Result<usize, Gone> {
        self.0.read_packet(into).await.map_err(gone)
    }
}

/// Sends packets.
pub trait Packets {
    /// Sends one of at most 64 bytes.
    async fn send(&mut self, packet: &[u8]) -> Result<(), Gone>;
}

/// The bulk pair's way to the host.
pub struct BulkOutbox(Endpoint<'static, USB, In>);

impl Packets for BulkOutbox {
    async fn send(&mut self, packet: &[u8]) -> Result<(), Gone> {
        self.0.write(packet).await.map_err(gone)
    }
}

/// The serial port's way to the host.
pub struct PortOutbox(Sender<'static, UsbDriver>);

impl Packets for PortOutbox {
    async fn send(&mut self, packet: &[u8]) -> Result<(), Gone> {
        self.0.write_packet(packet).await.map_err(gone)
    }
}

/// Fills packets.
pub struct Packer<P> {
    packets: P,
    kept: [u8; PACKET],
    len: usize,
    /// The last packet was full, so the host waits for another.
    open: bool,
}

impl<P> Packer<P> {
    fn new(packets: P) -> Self {
        Self { packets, kept: [0; PACKET], len: 0, open: false }
    }
}

impl<P: Packets> Outbox for Packer<P> {
    async fn write(&mut self, mut bytes: &[u8]) -> Result<(), Gone> {
        while !bytes.is_empty() {
            if self.len == 0 && bytes.len() >= PACKET {
                let (packet, rest) = bytes.split_at(PACKET);
                self.packets.send(packet).await?;
                self.open = true;
                bytes = rest;
                continue;
            }
            let part = bytes.len().min(PACKET - self.len);
            self.kept[self.len..self.len + part].copy_from_slice(&bytes[..part]);
            self.len += part;
            bytes = &bytes[part..];
            if self.len == PACKET {
                self.packets.send(&self.kept).await?;
                self.len = 0;
                self.open = true;
            }
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), Gone> {
        if self.len > 0 || self.open {
            self.packets.send(&self.kept[..self.len]).await?;
            self.len = 0;
            self.open = false;
        }
        Ok(())
    }

    fn clear(&mut self) {
        self.len = 0;
    }
}

fn gone(_: EndpointError) -> Gone {
    Gone
}
