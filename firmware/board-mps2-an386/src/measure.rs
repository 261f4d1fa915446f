//! What a run costs: ticks, flash, static data, stack.

use core::ptr;

use cortex_m::peripheral::{SYST, syst::SystClkSource};
use cortex_m_rt::STACK_PAINT_VALUE;

/// SysTick counts down over 24 bits.
const TICK_MASK: u32 = 0x00FF_FFFF;

unsafe extern "C" {
    static __sdata: u32;
    static __edata: u32;
    static __sidata: u32;
    static __sheap: u32;
    static _stack_start: u32;
}

/// A clock of SysTick ticks; under the emulator's `-icount shift=0` one tick is 40 instructions.
pub struct Ticks {
    last: u32,
}

impl Ticks {
    /// Starts the counter.
    pub fn start(mut counter: SYST) -> Ticks {
        counter.set_clock_source(SystClkSource::Core);
        counter.set_reload(TICK_MASK);
        counter.clear_current();
        counter.enable_counter();
        Ticks { last: SYST::get_current() }
    }

    /// Ticks since the last call, which must be less than 2^24 ago.
    pub fn lap(&mut self) -> u64 {
        let now = SYST::get_current();
        let ticks = self.last.wrapping_sub(now) & TICK_MASK;
        self.last = now;
        u64::from(ticks)
    }
}

/// Bytes of flash: vectors, code, constants and the initial values of the static data.
pub fn flash_bytes() -> u32 {
    let data_bytes = (&raw const __edata).addr().wrapping_sub((&raw const __sdata).addr());
    (&raw const __sidata).addr().wrapping_add(data_bytes) as u32
}

/// Bytes of static data.
pub fn static_bytes() -> u32 {
    (&raw const __sheap).addr().wrapping_sub((&raw const __sdata).addr()) as u32
}

/// Most bytes of stack that were in use since the start, from the paint that is gone.
pub fn stack_bytes() -> u32 {
    let (lowest, top) = (&raw const __sheap, &raw const _stack_start);
    let mut deepest = lowest;
    // SAFETY: the start-up code has painted every word from `__sheap` up to `_stack_start`; all are in RAM and aligned.
    while deepest < top && unsafe { ptr::read_volatile(deepest) } == STACK_PAINT_VALUE {
        deepest = deepest.wrapping_add(1);
    }
    top.addr().wrapping_sub(deepest.addr()) as u32
}
