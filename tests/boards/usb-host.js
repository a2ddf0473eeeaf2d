// The host's side of the rig's USB serial port.
//
// Answers at once and says "not now" when there is nothing for the device, so that firmware that
// waits for data can sleep. A packet towards the host takes as long as at full speed when the
// clock runs by itself, and no time where it runs by grants: it may stand before the packet is over.

const AVAILABLE = 1 << 10;
const FULL = 1 << 15;
const LENGTH = 0x3ff;
/** At most 19 packets of 64 bytes fit into a frame of a millisecond (USB 2.0, table 5-9). */
const PACKET_NANOS = 1e6 / 19;

export class UsbHost {
  /**
   * @param onData bytes from the device
   * @param byGrants whether the clock runs by grants
   */
  constructor(chip, onData, byGrants) {
    this.chip = chip;
    this.usb = chip.mcu.usbCtrl;
    this.dpram = chip.mcu.usbDPRAM;
    this.view = chip.mcu.usbDPRAMView;
    this.onData = onData;
    this.byGrants = byGrants;
    this.connected = false;
    this.waiting = [];
    this.queued = 0;
    this.armed = null;
    this.packetsIn = 0;
    const setup = (type, request, value, index) => [type, request, value & 255, value >> 8, index, 0, 0, 0];
    // Address, configuration, and that somebody has opened the port (DTR and RTS).
    this.requests = [setup(0x00, 5, 1, 0), setup(0x00, 9, 1, 0), setup(0x21, 0x22, 3, 0)];
    this.usb.onUSBEnabled = () => this.usb.resetDevice();
    this.usb.onResetReceived = () => this.ask();
    this.usb.DPRAMUpdated = (offset, value) => this.bufferGiven(offset, value);
  }

  ask() {
    const request = this.requests.shift();
    if (request) this.usb.sendSetupPacket(Uint8Array.from(request));
    else this.connected = true;
  }

  bufferGiven(offset, value) {
    if (!(value & AVAILABLE) || offset < 0x80 || offset > 0xfc) return;
    const endpoint = (offset - 0x80) >> 3;
    const out = (offset & 4) !== 0;
    const buffer = this.usb.getEndpointBufferOffset(endpoint, out);
    const length = value & LENGTH;
    if (out) {
      if (endpoint !== 0) {
        this.armed = { endpoint, offset, buffer, length };
        this.deliver();
      }
      return;
    }
    const data = this.dpram.slice(buffer, buffer + length);
    const done = () => {
      this.view.setUint32(offset, this.view.getUint32(offset, true) & ~(AVAILABLE | FULL), true);
      this.usb.indicateBufferReady(endpoint, false);
      if (endpoint === 0) this.ask();
      else if (data.length) this.onData(data);
    };
    this.packetsIn += 1;
    if (this.byGrants()) done();
    else this.chip.clock.createAlarm(done).schedule(PACKET_NANOS);
  }

  /** Bytes for the device. */
  send(bytes) {
    this.waiting.push(bytes);
    this.queued += bytes.length;
    this.deliver();
  }

  deliver() {
    if (!this.armed || !this.queued) return;
    const { endpoint, offset, buffer, length } = this.armed;
    this.armed = null;
    const packet = new Uint8Array(Math.min(length, this.queued));
    for (let filled = 0; filled < packet.length; ) {
      const first = this.waiting[0];
      const part = first.subarray(0, packet.length - filled);
      packet.set(part, filled);
      filled += part.length;
      if (part.length === first.length) this.waiting.shift();
      else this.waiting[0] = first.subarray(part.length);
    }
    this.queued -= packet.length;
    this.dpram.set(packet, buffer);
    const control = this.view.getUint32(offset, true) & ~(AVAILABLE | LENGTH);
    this.view.setUint32(offset, control | FULL | packet.length, true);
    this.usb.indicateBufferReady(endpoint, true);
  }
}
