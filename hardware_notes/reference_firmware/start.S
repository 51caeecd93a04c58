; D-1
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

; uint8_t march_block(uint8_t *block): 8 bytes on two backgrounds, contents kept, interrupts off for about 55 us. 0 is
; good. Nothing is called and nothing pushed while the block is under test, so it may be the stack.
.macro block_up old, new
1:  ld r0, Z
    eor r0, \old
    or r1, r0
    st Z+, \new
    cp r30, r16
    brne 1b
.endm

.macro block_down old, new
1:  ld r0, -Z
    eor r0, \old
    or r1, r0
    st Z, \new
    cp r30, r17
    brne 1b
.endm

.section .text.march_block, "ax", @progbits
.global march_block
.type march_block, @function
march_block:
    push r16
    push r17
    in r0, _SFR_IO_ADDR(SREG)
    push r0
    cli
    movw r30, r24
    ldd r18, Z + 0
    ldd r19, Z + 1
    ldd r20, Z + 2
    ldd r21, Z + 3
    ldd r22, Z + 4
    ldd r23, Z + 5
    ldd r26, Z + 6
    ldd r27, Z + 7
    mov r17, r30        ; where the block begins and ends, by its low bytes
    mov r16, r30
    subi r16, -8
    ldi r24, 0x00
    ldi r25, 0xFF
    clr r1
.Lagain:
1:  st Z+, r24
    cp r30, r16
    brne 1b
    sbiw r30, 8
    block_up r24, r25
    sbiw r30, 8
    block_up r25, r24
    block_down r24, r25
    adiw r30, 8
    block_down r25, r24
    block_up r24, r24
    sbiw r30, 8
    sbrc r24, 0         ; the second background has been
    rjmp .Lrestore
    ldi r24, 0x55
    ldi r25, 0xAA
    rjmp .Lagain
.Lrestore:
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
    pop r17
    pop r16
    ret
.size march_block, . - march_block

; uint8_t registers_test(void): every pair of registers takes 0x55 and 0xAA, which differ in every bit, and then the two the
; other way round. 0 is good. The patterns' own registers are seen by every pair, r26 keeps the verdict and r0:r1 what a
; pair held. Interrupts may come: they keep registers.
.macro pair_holds low, high
    movw r0, \low
    movw \low, r22
    eor \low, \high
    and r26, \low
    movw \low, r24
    eor \low, \high
    and r26, \low
    movw \low, r0
.endm

.section .text.registers_test, "ax", @progbits
.global registers_test
.type registers_test, @function
registers_test:
    ldi r22, 0x55
    ldi r23, 0xAA
    ldi r24, 0xAA
    ldi r25, 0x55
    ldi r26, 0xFF
    pair_holds r2, r3
    pair_holds r4, r5
    pair_holds r6, r7
    pair_holds r8, r9
    pair_holds r10, r11
    pair_holds r12, r13
    pair_holds r14, r15
    pair_holds r16, r17
    pair_holds r18, r19
    pair_holds r20, r21
    pair_holds r28, r29
    pair_holds r30, r31
    com r26
    mov r24, r26
    clr r1
    ret
.size registers_test, . - registers_test

; uint32_t crc32_more(uint32_t before, uint16_t at, uint8_t count): CRC-32 (reflected, polynomial 0xEDB88320) over 1 to 255
; bytes of the program memory, half a byte at a time. The compiler's own shifts by four take three times as long.
.macro crc32_shift from, to
    swap \from
    mov r0, \from
    andi \from, 0x0F
    eor r0, \from
    or \to, r0
.endm

.section .text.crc32_more, "ax", @progbits
.global crc32_more
.type crc32_more, @function
crc32_more:
    movw r30, r20
    lpm r0, Z+
    movw r20, r30
    eor r22, r0
    rcall .Lhalf
    rcall .Lhalf
    dec r18
    brne crc32_more
    ret
.Lhalf:
    mov r30, r22
    andi r30, 0x0F
    lsl r30
    lsl r30
    clr r31
    subi r30, lo8(-(crc32_table))
    sbci r31, hi8(-(crc32_table))
    swap r22
    andi r22, 0x0F
    crc32_shift r23, r22
    crc32_shift r24, r23
    crc32_shift r25, r24
    lpm r0, Z+
    eor r22, r0
    lpm r0, Z+
    eor r23, r0
    lpm r0, Z+
    eor r24, r0
    lpm r0, Z+
    eor r25, r0
    ret
.size crc32_more, . - crc32_more

.section .progmem.data, "a", @progbits
crc32_table:
    .long 0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C
    .long 0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C
