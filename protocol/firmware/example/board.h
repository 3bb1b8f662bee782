/* board.h: what the example wants of a processor. Everything above it is
 * finished code; supply these few functions, as desk.c does for a Linux
 * process. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* The flash that keeps the constants: erased by pages, programmed by words,
 * each word once between two erases. */
#ifndef BOARD_PAGE
#define BOARD_PAGE 2048u
#endif
#ifndef BOARD_WORD
#define BOARD_WORD 8u
#endif
bool board_flash_erase(uint32_t page);                            /* one page, to 0xFF */
bool board_flash_program(uint32_t offset, const uint8_t *word);   /* BOARD_WORD bytes */
void board_flash_read(uint32_t offset, uint8_t *to, uint32_t bytes);

void board_begin(void); /* clocks, line, timers; the interrupts may come from here on */
uint32_t board_ms(void);

/* The line. Its receive buffer holds 512 bytes or more, filled by an interrupt. */
int board_receive(void); /* next byte, -1 if there is none */
void board_send(const uint8_t *bytes, uint32_t count);
void board_reset(void); /* once all is sent; does not return */

/* Light. The sequencer fires a shot every so often while it is on, and calls
 * shot_interrupt (port.c) at the end of each. Both take effect at once. */
void board_light(bool on); /* emitter and sequencer */
int32_t board_millicelsius(void);

/* Photons of the shot that has just ended, at most so many; returns how many. */
struct photon { uint8_t zone, bin; };
uint32_t board_photons(struct photon *to, uint32_t most);

#endif
