/* slots.c: the block in force, in two slots (SPEC.md 5.6 and 6).
 *
 * A block is written into the slot that is not in force, then sixteen bytes
 * near the slot's end, the mark (generation, length, zero, check), bring it
 * into force. They share no word with the block: memory that is programmed by
 * words could not take them otherwise. Power that fails before the mark is
 * whole leaves the old block. A marked block that is damaged is not the same
 * as a torn write: it stays in force, is given out and reported, and is not
 * applied. */
#include <string.h>

#include "inside.h"

enum { NO_SLOT = 2, MARK = 16, TAIL = 68, SHORTEST = 20 };

uint32_t panecal_mark_at(const struct panecal *p)
{
    uint32_t word = p->setup->word_bytes;
    return (p->setup->slot_bytes & ~(word - 1)) - PANECAL_MARK_BYTES(word);
}

const uint8_t panecal_block_begin[8] = {0x50, 0x4E, 0x4C, 0x43, 1, 0, 0, 0};

/* Whether a block of n bytes says what it is, and how long. */
static bool begins(const uint8_t *head, uint32_t n)
{
    return memcmp(head, panecal_block_begin, 6) == 0 && panecal_get32(head + 8) == n;
}

static uint32_t zones_of(const uint8_t *head)
{
    return (uint32_t)panecal_get16(head + 12) * panecal_get16(head + 14);
}

static bool per_zone(const uint8_t *head)
{
    return head[6] == 1;
}

/* Where the offsets of a block begin. */
static uint32_t offsets_at(const uint8_t *head)
{
    uint32_t zones = zones_of(head);
    return (92 + 4 * zones + 2 * zones * panecal_get16(head + 18) + 3) & ~(uint32_t)3;
}

void panecal_constants_check(struct panecal *p)
{
    p->sound = false;
    if (p->slot == NO_SLOT) {
        return;
    }
    uint8_t head[12], tail[4], byte;
    uint32_t crc = PANECAL_CRC_START;
    panecal_port_load(p->slot, 0, head, sizeof head);
    for (uint32_t at = 0; at < p->length; at++) {
        panecal_port_load(p->slot, at, &byte, 1);
        crc = panecal_crc(crc, &byte, 1);
    }
    panecal_port_load(p->slot, p->length - 4, tail, sizeof tail);
    p->tail = panecal_get32(tail);
    p->sound = crc == PANECAL_CRC_GOOD && begins(head, p->length);
}

void panecal_constants_find(struct panecal *p)
{
    p->slot = NO_SLOT;
    p->generation = 0;
    p->length = 0;
    for (uint32_t slot = 0; slot < 2; slot++) {
        uint8_t mark[MARK];
        panecal_port_load(slot, panecal_mark_at(p), mark, MARK);
        uint32_t generation = panecal_get32(mark);
        uint32_t length = panecal_get32(mark + 4);
        if (panecal_crc(PANECAL_CRC_START, mark, MARK) == PANECAL_CRC_GOOD && length >= SHORTEST && length <= panecal_mark_at(p) &&
            generation > p->generation) {
            p->slot = (uint8_t)slot;
            p->generation = generation;
            p->length = length;
        }
    }
    panecal_constants_check(p);
}

bool panecal_constants_write(struct panecal *p, const uint8_t *block, uint32_t bytes)
{
    uint8_t mark[MARK] = {0};
    uint32_t spare = p->slot == 0 ? 1 : 0;
    uint32_t generation = p->generation + 1;
    panecal_set32(mark, generation);
    panecal_set32(mark + 4, bytes);
    panecal_set32(mark + 12, ~panecal_crc(PANECAL_CRC_START, mark, MARK - 4));
    bool wrote = panecal_port_store(spare, 0, block, bytes) &&
                 panecal_port_store(spare, panecal_mark_at(p), mark, MARK);
    panecal_constants_find(p); /* what counts is what can be read back */
    return wrote && p->slot == spare && p->sound && p->generation == generation &&
           p->tail == panecal_get32(block + bytes - 4);
}

uint8_t panecal_constants_judge(const struct panecal *p, uint32_t tail)
{
    const struct panecal_identity *id = &p->setup->identity;
    const uint8_t *block = p->setup->staging;
    uint32_t n = p->staged_bytes;
    if (p->staged_held != n || n < 92 + TAIL || !begins(block, n) ||
        zones_of(block) > 1024 || panecal_get16(block + 18) > 1024 ||
        offsets_at(block) + 4 * (per_zone(block) ? zones_of(block) : 1) + TAIL != n ||
        panecal_get32(block + n - 8) - 1 > 1 || /* neither written nor released */
        panecal_get32(block + n - 4) != tail || panecal_crc(PANECAL_CRC_START, block, n) != PANECAL_CRC_GOOD) {
        return NOT_STAGED;
    }
    if (panecal_get16(block + 12) != panecal_number(p, PANECAL_ROWS) || panecal_get16(block + 14) != panecal_number(p, PANECAL_COLUMNS) ||
        (id->serial[0] != 0 && strncmp((const char *)block + 28, id->serial, 32) != 0)) {
        return WRONG_UNIT;
    }
    return 0;
}

bool panecal_stored(const struct panecal *p, uint32_t what, uint32_t zone, uint32_t bin, int32_t *value, uint8_t *scale)
{
    uint8_t head[28];
    *value = 0;
    *scale = 0;
    if (!p->sound || p->length < 92 + TAIL) {
        return false; /* none, damaged, or a void form */
    }
    panecal_port_load(p->slot, 0, head, sizeof head);
    uint32_t at = 92 + 4 * zone, bytes = 4;
    *scale = head[20 + what];
    if (what == PANECAL_OFFSET) {
        at = offsets_at(head) + (per_zone(head) ? 4 * zone : 0);
    } else if (what == PANECAL_LEAKAGE_BIN) {
        uint32_t stored = bin - panecal_get16(head + 16), bins = panecal_get16(head + 18);
        if (stored >= bins) {
            return true; /* nothing stored there: no leakage */
        }
        at = 92 + 4 * zones_of(head) + 2 * (zone * bins + stored);
        bytes = 2;
    }
    uint8_t raw[4] = {0};
    panecal_port_load(p->slot, at, raw, bytes);
    uint32_t n = panecal_get32(raw), sign = 1ul << (8 * bytes - 1);
    /* Two's complement, undone in arithmetic that C defines. */
    *value = n < sign ? (int32_t)n : -(int32_t)(2 * sign - 1 - n) - 1;
    return true;
}
