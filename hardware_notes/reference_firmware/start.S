; What runs before C has its memory: outputs low and the watchdog on (early), then the march over the whole RAM. And the
; march over one block, for later. March C-: up w0; up r0 w1; up r1 w0; down r0 w1; down r1 w0; r0.
#include <avr/io.h>

#define zero r18
#define one r19
#define wrong r20

.macro up old, new
    ldi r26, lo8(RAMSTART)
    ldi r27, hi8(RAMSTART)
1:  ld r0, X
    eor r0, \old
    or wrong, r0
    st X+, \new
    cpi r26, lo8(RAMEND + 1)
    ldi r21, hi8(RAMEND + 1)
    cpc r27, r21
    brne 1b
.endm

.macro down old, new
    ldi r26, lo8(RAMEND + 1)
    ldi r27, hi8(RAMEND + 1)
1:  ld r0, -X
    eor r0, \old
    or wrong, r0
    st X, \new
    cpi r26, lo8(RAMSTART)
    ldi r21, hi8(RAMSTART)
    cpc r27, r21
    brne 1b
.endm

.section .init3, "ax", @progbits
    call early
    ldi zero, 0x00
    ldi one, 0xFF
    up zero, zero
    clr wrong           ; the first element only writes
    up zero, one
    up one, zero
    down zero, one
    down one, zero
    up zero, zero
    out _SFR_IO_ADDR(GPIOR1), wrong
    clr r1

; uint8_t march_block(uint8_t *block): 8 bytes, contents kept, interrupts off for about 35 us. 0 is good. Nothing is
; called and nothing pushed while the block is under test, so it may be the stack.
.macro block_write new
    .irp at, 0, 1, 2, 3, 4, 5, 6, 7
    std Z + \at, \new
    .endr
.endm

.macro block_up old, new
    .irp at, 0, 1, 2, 3, 4, 5, 6, 7
    ldd r0, Z + \at
    eor r0, \old
    or r1, r0
    std Z + \at, \new
    .endr
.endm

.macro block_down old, new
    .irp at, 7, 6, 5, 4, 3, 2, 1, 0
    ldd r0, Z + \at
    eor r0, \old
    or r1, r0
    std Z + \at, \new
    .endr
.endm

.section .text.march_block, "ax", @progbits
.global march_block
.type march_block, @function
march_block:
    movw r30, r24
    in r0, _SFR_IO_ADDR(SREG)
    push r0
    cli
    ldd r18, Z + 0
    ldd r19, Z + 1
    ldd r20, Z + 2
    ldd r21, Z + 3
    ldd r22, Z + 4
    ldd r23, Z + 5
    ldd r26, Z + 6
    ldd r27, Z + 7
    ldi r24, 0x00
    ldi r25, 0xFF
    clr r1
again:
    block_write r24
    block_up r24, r25
    block_up r25, r24
    block_down r24, r25
    block_down r25, r24
    block_up r24, r24
    sbrc r24, 0         ; the second background has been
    rjmp restore
    ldi r24, 0x55
    ldi r25, 0xAA
    rjmp again
restore:
    std Z + 0, r18
    std Z + 1, r19
    std Z + 2, r20
    std Z + 3, r21
    std Z + 4, r22
    std Z + 5, r23
    std Z + 6, r26
    std Z + 7, r27
    mov r24, r1
    clr r1
    pop r0
    out _SFR_IO_ADDR(SREG), r0
    ret
.size march_block, . - march_block

; uint8_t registers_test(void): every register but r0, r24 and r25 (the tools) takes both halves of a checkerboard and
; gives them back. 0 is good. Interrupts may come: they keep registers.
.macro register_holds which, pattern
    ldi r25, \pattern
    mov r0, \which
    mov \which, r25
    cpse \which, r25
    ori r24, 0x01
    mov \which, r0
.endm

.section .text.registers_test, "ax", @progbits
.global registers_test
.type registers_test, @function
registers_test:
    clr r24
    .irp which, r2, r3, r4, r5, r6, r7, r8, r9, r10, r11, r12, r13, r14, r15, r16, r17
    register_holds \which, 0x55
    register_holds \which, 0xAA
    .endr
    .irp which, r18, r19, r20, r21, r22, r23, r26, r27, r28, r29, r30, r31
    register_holds \which, 0x55
    register_holds \which, 0xAA
    .endr
    ret
.size registers_test, . - registers_test
