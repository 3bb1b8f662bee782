/* pageflash.c: see pageflash.h. */
#include <string.h>

#include "pageflash.h"

static uint32_t slot_pages;

void pageflash_begin(uint32_t slot_bytes)
{
    slot_pages = PAGEFLASH_PAGES(slot_bytes);
}

static uint32_t address(uint32_t slot, uint32_t offset)
{
    return slot * slot_pages * BOARD_PAGE + offset;
}

void pageflash_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes)
{
    board_flash_read(address(slot, offset), to, bytes);
}

static bool erase(uint32_t slot)
{
    for (uint32_t page = 0; page < slot_pages; page++) {
        if (!board_flash_erase(slot * slot_pages + page)) {
            return false;
        }
    }
    return true;
}

bool pageflash_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes)
{
    if (offset == 0 && !erase(slot)) {
        return false;
    }
    while (bytes > 0) {
        uint8_t word[BOARD_WORD], back[BOARD_WORD];
        uint32_t n = bytes < BOARD_WORD ? bytes : BOARD_WORD;
        memset(word, 0xFF, sizeof word);
        memcpy(word, from, n);
        if (!board_flash_program(address(slot, offset), word)) {
            return false;
        }
        board_flash_read(address(slot, offset), back, sizeof back);
        if (memcmp(word, back, sizeof word) != 0) {
            return false;
        }
        from += n;
        offset += n;
        bytes -= n;
    }
    return true;
}
