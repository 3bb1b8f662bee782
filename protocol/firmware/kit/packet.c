/* packet.c: bytes of the line to payloads and back (SPEC.md 3.1). */
#include <string.h>

#include "inside.h"

uint16_t panecal_get16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

uint32_t panecal_get32(const uint8_t *at)
{
    return (uint32_t)panecal_get16(at) | (uint32_t)panecal_get16(at + 2) << 16;
}

void panecal_set32(uint8_t *at, uint32_t value)
{
    for (int i = 0; i < 4; i++) {
        at[i] = (uint8_t)(value >> 8 * i);
    }
}

uint32_t panecal_crc(uint32_t crc, const uint8_t *data, uint32_t bytes)
{
    /* Half a byte at a time: sixteen words of flash, two steps a byte. */
    static const uint32_t half[16] = {
        0x00000000, 0x105EC76F, 0x20BD8EDE, 0x30E349B1, 0x417B1DBC, 0x5125DAD3, 0x61C69362, 0x7198540D,
        0x82F63B78, 0x92A8FC17, 0xA24BB5A6, 0xB21572C9, 0xC38D26C4, 0xD3D3E1AB, 0xE330A81A, 0xF36E6F75,
    };
    for (uint32_t i = 0; i < bytes; i++) {
        crc ^= data[i];
        crc = crc >> 4 ^ half[crc & 15];
        crc = crc >> 4 ^ half[crc & 15];
    }
    return crc;
}

/* Receiving: stuffing is undone byte by byte into the next free place, so that
 * only whole and good packets are ever held. */

static void keep(struct panecal *p, uint8_t byte)
{
    if (p->got == panecal_number(p, PANECAL_PAYLOAD_IN) + 4u) {
        p->bad = true; /* longer than the largest packet */
        return;
    }
    p->to[p->got++] = byte;
}

static void delimiter(struct panecal *p)
{
    if (p->inside && !p->bad && p->left == 0 && p->got > 4) {
        if (panecal_crc(PANECAL_CRC_START, p->to, p->got) == PANECAL_CRC_GOOD) {
            p->size[p->next] = (uint16_t)(p->got - 4);
            p->next = (uint8_t)((p->next + 1) % panecal_number(p, PANECAL_HELD));
            p->count++;
        }
    }
    /* The next place stays the next when a request is done; whether it is free
     * is seen when something arrives. */
    p->to = p->setup->receive + p->next * (panecal_number(p, PANECAL_PAYLOAD_IN) + 4u);
    p->inside = true; /* what came before the first delimiter was text */
    p->bad = false;
    p->got = 0;
    p->left = 0;
    p->block = 0xFF; /* no zero in front of the first block */
}

static void take(struct panecal *p, uint8_t byte)
{
    if (byte == 0) {
        delimiter(p);
    } else if (!p->inside || p->bad) {
        return;
    } else if (p->count == panecal_number(p, PANECAL_HELD)) {
        p->bad = true; /* more requests than were announced */
    } else if (p->left > 0) {
        keep(p, byte);
        p->left--;
    } else {
        if (p->block != 0xFF) {
            keep(p, 0);
        }
        p->block = byte;
        p->left = (uint8_t)(byte - 1);
    }
}

/* Takes a byte into the search for a text of at most 32 bytes; true when the
 * text is complete. Bit i of matched: what came last is the first i + 1 bytes
 * of the text. */
static bool found(struct panecal *p, const char *text, uint8_t byte)
{
    uint32_t hits = 0;
    uint8_t n = 0;
    for (; text[n] != 0; n++) {
        hits |= (uint32_t)((uint8_t)text[n] == byte) << n;
    }
    p->matched = (p->matched << 1 | 1) & hits;
    return p->matched >> (n - 1) != 0;
}

void panecal_listen(struct panecal *p)
{
    const struct panecal_setup *s = p->setup;
    /* A flood must not keep the main loop from its other work. */
    for (int most = 1024; most > 0 && !p->closing; most--) {
        int byte = panecal_port_read();
        if (byte < 0) {
            return;
        }
        if (p->open) {
            take(p, (uint8_t)byte);
            if (s->close_text != NULL && found(p, s->close_text, (uint8_t)byte)) {
                p->closing = true;
            }
        } else if (found(p, s->open_text, (uint8_t)byte)) {
            p->open = true;
            p->matched = 0;
            p->asked = panecal_port_ms();
        } else {
            panecal_port_console((uint8_t)byte);
        }
    }
}

/* Sending: at most one block of the stuffing is held back. */

static void put_line(struct panecal *p, const uint8_t *bytes, uint32_t count)
{
    panecal_port_write(bytes, count);
    panecal_listen(p); /* the line is full duplex: nothing is lost meanwhile */
}

static void put_delimiter(struct panecal *p)
{
    const uint8_t zero = 0;
    put_line(p, &zero, 1);
}

static void put_block(struct panecal *p)
{
    p->bytes[0] = (uint8_t)(p->pending + 1);
    put_line(p, p->bytes, p->pending + 1u);
    p->pending = 0;
}

static void stuff(struct panecal *p, uint8_t byte)
{
    p->full = 0;
    if (byte == 0) {
        put_block(p);
        return;
    }
    p->bytes[++p->pending] = byte;
    if (p->pending == 254) {
        put_block(p);
        p->full = 1; /* no zero follows this block */
    }
}

void panecal_packet_begin(struct panecal *p)
{
    put_delimiter(p);
    p->check = PANECAL_CRC_START;
    p->pending = 0;
    p->full = 0;
}

void panecal_packet_put(struct panecal *p, uint8_t byte)
{
    p->check = panecal_crc(p->check, &byte, 1);
    stuff(p, byte);
}

void panecal_packet_end(struct panecal *p)
{
    uint8_t check[4];
    panecal_set32(check, ~p->check);
    for (int i = 0; i < 4; i++) {
        stuff(p, check[i]);
    }
    if (!p->full) {
        put_block(p);
    }
    put_delimiter(p);
}
