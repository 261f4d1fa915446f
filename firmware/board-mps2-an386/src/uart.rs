//! The machine's serial lines (CMSDK APB UART), polled.
//!
//! Source: Arm, Cortex-M System Design Kit Technical Reference Manual (DDI 0479), APB UART programmer's model.

use core::ptr;

const DATA: usize = 0x0;
const STATE: usize = 0x4;
const CTRL: usize = 0x8;
const BAUDDIV: usize = 0x10;

const STATE_TX_FULL: u32 = 1;
const STATE_RX_FULL: u32 = 2;
const CTRL_TX_AND_RX: u32 = 3;
/// The least divider that the UART takes; an emulated line has no baud rate.
const LEAST_BAUDDIV: u32 = 16;

/// One serial line.
pub struct Uart {
    base: usize,
}

impl Uart {
    /// The line on which telemetry leaves.
    ///
    /// # Safety
    /// The caller owns UART0 and calls this once.
    pub unsafe fn telemetry() -> Uart {
        Uart::enabled(0x4000_4000)
    }

    /// The line on which the stimulus comes.
    ///
    /// # Safety
    /// The caller owns UART1 and calls this once.
    pub unsafe fn stimulus() -> Uart {
        Uart::enabled(0x4000_5000)
    }

    fn enabled(base: usize) -> Uart {
        let uart = Uart { base };
        uart.store(BAUDDIV, LEAST_BAUDDIV);
        uart.store(CTRL, CTRL_TX_AND_RX);
        uart
    }

    /// Waits for a byte.
    pub fn read(&mut self) -> u8 {
        while self.load(STATE) & STATE_RX_FULL == 0 {}
        self.load(DATA) as u8
    }

    /// Writes bytes, waiting as long as the other side is busy.
    pub fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            while self.load(STATE) & STATE_TX_FULL != 0 {}
            self.store(DATA, u32::from(*byte));
        }
    }

    /// Waits until the last byte has left.
    pub fn flush(&mut self) {
        while self.load(STATE) & STATE_TX_FULL != 0 {}
    }

    fn load(&self, register: usize) -> u32 {
        // SAFETY: `base` is the address of a UART that this value owns, `register` the offset of one of its registers.
        unsafe { ptr::read_volatile((self.base + register) as *const u32) }
    }

    fn store(&self, register: usize, value: u32) {
        // SAFETY: as in `load`.
        unsafe { ptr::write_volatile((self.base + register) as *mut u32, value) }
    }
}
