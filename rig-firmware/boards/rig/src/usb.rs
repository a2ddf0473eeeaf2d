//! The link's bytes over USB, as a serial port.

use embassy_futures::join::join3;
use embassy_rp::Peri;
use embassy_rp::bind_interrupts;
use embassy_rp::peripherals::USB;
use embassy_rp::usb::{Driver, InterruptHandler};
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::channel::Channel;
use embassy_sync::pipe::Pipe;
use embassy_sync::signal::Signal;
use embassy_usb::class::cdc_acm::{CdcAcmClass, State};
use embassy_usb::{Builder, Config};
use static_cell::StaticCell;

bind_interrupts!(struct Interrupts {
    USBCTRL_IRQ => InterruptHandler<USB>;
});

/// Bytes of one packet at full speed.
pub const PACKET: usize = 64;

/// Packets from the host.
pub static RECEIVED: Channel<CriticalSectionRawMutex, ([u8; PACKET], usize), 24> = Channel::new();
/// Bytes for the host.
pub static TO_SEND: Pipe<CriticalSectionRawMutex, 2048> = Pipe::new();
/// Set when there is room in [`TO_SEND`] again.
pub static ROOM: Signal<CriticalSectionRawMutex, ()> = Signal::new();

/// Carries bytes for ever.
#[embassy_executor::task]
pub async fn carry(usb: Peri<'static, USB>) -> ! {
    static CONFIGURATION: StaticCell<[u8; 128]> = StaticCell::new();
    static CONTROL: StaticCell<[u8; 64]> = StaticCell::new();
    static STATE: StaticCell<State<'static>> = StaticCell::new();
    // The identifier that the USB-IF's test page gives to prototypes: 0xC0DE of pid.codes (from memory).
    let mut config = Config::new(0x1209, 0x0001);
    config.manufacturer = Some("dryfire");
    config.product = Some("dryfire rig");
    config.max_power = 100;
    let mut builder = Builder::new(
        Driver::new(usb, Interrupts),
        config,
        CONFIGURATION.init([0; 128]),
        &mut [],
        &mut [],
        CONTROL.init([0; 64]),
    );
    let class = CdcAcmClass::new(&mut builder, STATE.init(State::new()), PACKET as u16);
    let mut device = builder.build();
    let (mut sender, mut receiver) = class.split();
    let receive = async {
        let mut packet = [0; PACKET];
        loop {
            receiver.wait_connection().await;
            while let Ok(count) = receiver.read_packet(&mut packet).await {
                RECEIVED.send((packet, count)).await;
            }
        }
    };
    let send = async {
        let mut packet = [0; PACKET];
        loop {
            sender.wait_connection().await;
            loop {
                let count = TO_SEND.read(&mut packet).await;
                ROOM.signal(());
                if sender.write_packet(&packet[..count]).await.is_err() {
                    break;
                }
                // A full packet is only the end of a transfer if an empty one follows.
                if count == PACKET && TO_SEND.is_empty() && sender.write_packet(&[]).await.is_err() {
                    break;
                }
            }
        }
    };
    join3(device.run(), receive, send).await;
    unreachable!("all three go on for ever")
}
