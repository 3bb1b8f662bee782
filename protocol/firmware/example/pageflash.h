/* pageflash.h: two slots for constants in flash that is erased by pages and
 * programmed by words (board.h). */
#ifndef PAGEFLASH_H
#define PAGEFLASH_H

#include "board.h"

/* Slot 0 begins with page 0 of what board.h reaches, slot 1 with a page of its own. */
#define PAGEFLASH_PAGES(slot_bytes) (((slot_bytes) + BOARD_PAGE - 1u) / BOARD_PAGE)

void pageflash_begin(uint32_t slot_bytes);
void pageflash_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes);

/* At offset 0 the slot is erased first. What does not fill its last word is
 * filled up with 0xFF. Every word is read back; false if one is not as written. */
bool pageflash_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes);

#endif
