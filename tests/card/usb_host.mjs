// A USB host on the emulated chip's device controller, stricter than the package's own: it checks each buffer that the
// firmware hands over (data toggles, lengths, the order in which control bits are set; RP2040 datasheet 4.1.2.5, USB 2.0
// chapter 8) and answers as the controller would. One transaction every POLL_NS.
const POLL_NS = 20_000;
const FULL = 1 << 15, DATA1 = 1 << 13, STALL = 1 << 11, AVAILABLE = 1 << 10, LENGTH = 0x3ff;
const SETUP_REC = 1 << 17, BUS_RESET = 1 << 19, PULLUP = 1 << 16;
const PACKET = 64;
const BULK = 2;

export class UsbHost {
  constructor(mcu) {
    this.mcu = mcu;
    this.usb = mcu.usbCtrl;
    this.view = mcu.usbDPRAMView;
    this.errors = [];
    this.received = [];
    this.reading = false;
    this.given = new Map();
    this.reset();
    this.usb.DPRAMUpdated = (offset, value) => this.handedOver(offset, value);
    this.alarm = mcu.clock.createAlarm(() => { this.poll(); this.wake(); });
  }

  // Poll on, while there is something to ask for.
  wake() {
    const asking = this.transfer && this.transfer.result === null;
    if (asking || this.reading || this.outgoing.length) this.alarm.schedule(POLL_NS);
  }

  reset() {
    this.address = 0;
    this.transfer = null;
    this.bulkIn = this.bulkOut = 0;
    this.outgoing = [];
  }

  handedOver(offset, value) {
    if (offset < 0x80 || offset > 0xff) return;
    if (value & AVAILABLE && this.given.get(offset) !== (value & ~AVAILABLE)) {
      this.errors.push(`buffer control ${offset.toString(16)}: "available" set with the rest, not after it`);
    }
    this.given.set(offset, value);
  }

  control(endpoint, out) { return 0x80 + 8 * endpoint + (out ? 4 : 0); }

  bufferAt(endpoint, out) {
    return endpoint === 0 ? 0x100 : this.view.getUint32(8 * endpoint + (out ? 4 : 0), true) & 0xffc0;
  }

  status(bit) {
    this.usb.buffStatus |= bit;
    this.usb.buffStatusUpdated();
  }

  // Take what the device offers: bytes, "stall", or null where it would answer NAK.
  take(endpoint, toggle) {
    const at = this.control(endpoint, false);
    const value = this.view.getUint32(at, true);
    if (value & STALL) return 'stall';
    if (!(value & AVAILABLE)) return null;
    if (!(value & FULL)) this.errors.push(`endpoint ${endpoint} IN: handed over empty`);
    if (!!(value & DATA1) !== !!toggle) this.errors.push(`endpoint ${endpoint} IN: wrong data toggle`);
    if ((value & LENGTH) > PACKET) this.errors.push(`endpoint ${endpoint} IN: ${value & LENGTH} bytes in a packet`);
    const start = this.bufferAt(endpoint, false);
    this.view.setUint32(at, value & ~(AVAILABLE | FULL), true);
    this.status(1 << 2 * endpoint);
    return [...this.mcu.usbDPRAM.slice(start, start + (value & LENGTH))];
  }

  // Give bytes to the device: true, "stall", or null for NAK.
  give(endpoint, toggle, bytes) {
    const at = this.control(endpoint, true);
    const value = this.view.getUint32(at, true);
    if (value & STALL) return 'stall';
    if (!(value & AVAILABLE)) return null;
    if (!!(value & DATA1) !== !!toggle) this.errors.push(`endpoint ${endpoint} OUT: wrong data toggle`);
    this.mcu.usbDPRAM.set(bytes, this.bufferAt(endpoint, true));
    this.view.setUint32(at, value & ~(AVAILABLE | LENGTH) | FULL | bytes.length, true);
    this.status(2 << 2 * endpoint);
    return true;
  }

  ask(setup, out = null) {
    this.transfer = { setup, out, data: [], toggle: 1, phase: 'setup', result: null };
    this.wake();
    return this.transfer;
  }

  poll() {
    const { transfer } = this;
    if (transfer && transfer.result === null) this.controlStep(transfer);
    if (this.reading) {
      const bytes = this.take(BULK, this.bulkIn);
      if (Array.isArray(bytes)) { this.received.push(...bytes); this.bulkIn ^= 1; }
    }
    if (this.outgoing.length && this.give(BULK, this.bulkOut, this.outgoing[0]) === true) {
      this.outgoing.shift();
      this.bulkOut ^= 1;
    }
  }

  controlStep(t) {
    const wanted = t.setup[6] | t.setup[7] << 8, comesIn = t.setup[0] & 0x80;
    if (t.phase === 'setup') {
      if ((this.usb.addrEndp & 0x7f) !== this.address) this.errors.push(`device is at ${this.usb.addrEndp}, not ${this.address}`);
      this.mcu.usbDPRAM.set(t.setup, 0);
      this.view.setUint32(0x80, this.view.getUint32(0x80, true) & ~STALL, true); // a setup ends a stall
      this.view.setUint32(0x84, this.view.getUint32(0x84, true) & ~STALL, true);
      this.usb.sieStatus |= SETUP_REC;
      t.phase = 'started';
    } else if (this.usb.sieStatus & SETUP_REC) {
      return; // the device has not looked yet
    } else if (t.phase === 'started') {
      t.phase = comesIn ? 'in' : t.out ? 'out' : 'status in';
    } else if (t.phase === 'in') {
      const bytes = this.take(0, t.toggle);
      if (bytes === 'stall') t.result = 'stall';
      if (!Array.isArray(bytes)) return;
      t.toggle ^= 1;
      t.data.push(...bytes);
      if (t.data.length > wanted) this.errors.push('more than was asked for');
      if (bytes.length < PACKET || t.data.length >= wanted) t.phase = 'status out';
    } else if (t.phase === 'out') {
      if (this.give(0, 1, t.out) === true) t.phase = 'status in';
    } else if (t.phase === 'status out') {
      if (this.give(0, 1, []) === true) t.result = Buffer.from(t.data).toString('hex');
    } else {
      const bytes = this.take(0, 1);
      if (bytes === 'stall') t.result = 'stall';
      if (Array.isArray(bytes)) t.result = bytes.length ? 'status with data' : '';
    }
  }

  busReset() {
    if (!(this.usb.sieCtrl & PULLUP)) this.errors.push('no pull-up: the device is not there');
    this.reset();
    this.usb.sieStatus |= BUS_RESET;
  }
}
