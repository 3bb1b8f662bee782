/* flash.c: two slots of memory that keep what they hold when the power fails,
 * also in the middle of a write. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "host.h"

enum { PAGE = 256 }; /* bytes programmed at a time */

static uint8_t *slots[2];
static uint32_t size, writes, cut_at, cut_ms;
static bool was_cut;

static void save(void)
{
    FILE *f = settings.flash != NULL ? fopen(settings.flash, "wb") : NULL;
    if (f != NULL) {
        fwrite(slots[0], 1, size, f);
        fwrite(slots[1], 1, size, f);
        fclose(f);
    }
}

void flash_begin(uint32_t slot_bytes)
{
    size = slot_bytes;
    for (int i = 0; i < 2; i++) {
        slots[i] = malloc(size);
        if (slots[i] == NULL) {
            abort();
        }
        memset(slots[i], 0xFF, size);
    }
    FILE *f = settings.flash != NULL ? fopen(settings.flash, "rb") : NULL;
    if (f != NULL) {
        for (int i = 0; i < 2; i++) {
            if (fread(slots[i], 1, size, f) != size) {
                memset(slots[i], 0xFF, size);
            }
        }
        fclose(f);
    }
}

bool flash_cut(uint32_t write, uint32_t for_ms)
{
    bool happened = was_cut;
    was_cut = false;
    cut_at = write > 0 ? writes + write : 0;
    cut_ms = for_ms;
    return happened;
}

uint32_t flash_writes(void) { return writes; }

void flash_flip(uint32_t slot, uint32_t offset)
{
    slots[slot][offset % size] ^= 1;
    save();
}

void flash_forget(void)
{
    memset(slots[0], 0xFF, size);
    memset(slots[1], 0xFF, size);
    save();
}

/* True: the power fails in the middle of this write. */
static bool cut_here(void)
{
    writes++;
    was_cut = cut_at != 0 && writes == cut_at;
    return was_cut;
}

/* Whole words that were not programmed since they were erased. */
static bool erased(const uint8_t *from, uint32_t offset, uint32_t bytes)
{
    for (uint32_t i = 0; i < (bytes + WORD - 1) / WORD * WORD && offset + i < size; i++) {
        if (from[i] != 0xFF) {
            return false;
        }
    }
    return offset % WORD == 0;
}

static void fails(void)
{
    cut_at = 0;
    save();
    power_fails(cut_ms);
}

void panecal_port_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes)
{
    memcpy(to, slots[slot] + offset, bytes);
}

bool panecal_port_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes)
{
    wait_ms(offset == 0 ? settings.write_ms * 3 / 4 : settings.write_ms / 4);
    if (offset == 0) {
        bool cut = cut_here();
        memset(slots[slot], 0xFF, cut ? size / 2 : size);
        if (cut) {
            fails();
        }
    }
    for (uint32_t at = 0; at < bytes; at += PAGE) {
        uint32_t n = bytes - at < PAGE ? bytes - at : PAGE;
        if (!erased(slots[slot] + offset + at, offset + at, n)) {
            abort(); /* real flash would be spoilt */
        }
        bool cut = cut_here();
        memcpy(slots[slot] + offset + at, from + at, cut ? n / 2 : n);
        if (cut) {
            fails();
        }
    }
    save();
    return (faults & PANECAL_FAULT_MEMORY) == 0;
}
