/* block.c: what the station asks of the constants (SPEC.md 5.6). */
#include <stddef.h>
#include <string.h>

#include "inside.h"

enum { QUICK_MS = 50 }; /* what may be done before an answer begins */
enum { HEAD = 12, WITNESS = 60 }; /* of a block; state and check are 8 more */

uint8_t panecal_read(struct panecal *p, const struct request *q)
{
    uint32_t offset = q->v[0];
    const int64_t v[2] = {p->length, offset};
    uint32_t most = panecal_room(p, q, v, 2) - 1;
    uint32_t n = offset < p->length ? p->length - offset : 0;
    if (n > q->v[1]) {
        n = q->v[1];
    }
    while (panecal_cbor_size(n) + n > most) {
        n--;
    }
    panecal_answer_begin(p, q, OK, 3, v, 2);
    panecal_put_uint(p, 3);
    panecal_cbor_head(p, CBOR_BYTES, n);
    uint8_t byte;
    for (; n > 0; n--) {
        panecal_port_load(p->slot, offset++, &byte, 1);
        panecal_packet_put(p, byte);
    }
    panecal_packet_end(p);
    return OK;
}

uint8_t panecal_stage(struct panecal *p, const struct request *q)
{
    const struct panecal_setup *s = p->setup;
    struct panecal_item data;
    uint32_t length = q->v[0], offset = q->v[1];
    if (!panecal_find(q, 3, &data) || data.major != CBOR_BYTES || data.value - 1 > 8191 || offset + data.value > length ||
        length > s->staging_bytes || length > panecal_mark_at(p)) {
        return BAD_ARGUMENT;
    }
    if (offset == 0) {
        p->staged_bytes = length;
        p->staged_held = 0;
    }
    if (length == p->staged_bytes && offset <= p->staged_held) {
        uint32_t end = offset + (uint32_t)data.value;
        memcpy(s->staging + offset, data.after, (size_t)data.value);
        p->staged_held = end > p->staged_held ? end : p->staged_held;
    }
    const int64_t held = p->staged_held;
    panecal_answer(p, q, OK, &held, 1);
    return OK;
}

uint8_t panecal_write_now(struct panecal *p)
{
    bool ok = panecal_constants_write(p, p->setup->staging, p->staged_bytes);
    if (ok) {
        p->staged_held = 0;
    }
    p->memory_fault = !ok;
    return ok ? OK : FAULT;
}

/* Brings what is staged into force unless the block that q names is, or a code
 * speaks against it: at once or, if that takes long, after a busy answer. The
 * request comes again then and finds the block in force. */
static uint8_t bring(struct panecal *p, const struct request *q, uint8_t code)
{
    if (p->sound && q->v[0] == p->length && q->v[1] == p->tail) {
        return OK;
    }
    if (code != OK) {
        return code;
    }
    if (p->write_failed) {
        p->write_failed = false; /* what the busy answer promised went wrong */
        return FAULT;
    }
    if (panecal_number(p, PANECAL_COMMIT_MS) <= QUICK_MS) {
        return panecal_write_now(p);
    }
    p->work = true;
    return BUSY;
}

uint8_t panecal_commit(struct panecal *p, const struct request *q)
{
    uint8_t code = p->running ? CAPTURING : q->v[0] == p->staged_bytes ? panecal_constants_judge(p, q->v[1]) : NOT_STAGED;
    return bring(p, q, code);
}

/* A void form is put together where blocks are staged, and what lay there is
 * forgotten; the shortest block to be staged is longer. */
uint8_t panecal_void(struct panecal *p, struct request *q)
{
    uint8_t *block = p->setup->staging;
    struct panecal_item it;
    bool bears = panecal_find(q, 1, &it);
    if (bears && (it.major != CBOR_BYTES || it.value != WITNESS)) {
        return BAD_ARGUMENT;
    }
    if (p->running) {
        return CAPTURING;
    }
    uint32_t n = HEAD + 8;
    if (bears) {
        memcpy(block + HEAD, it.after, WITNESS);
        n += WITNESS;
    }
    panecal_set32(block + n - 8, 3); /* void */
    panecal_set32(block + 8, n);
    memcpy(block, panecal_block_begin, sizeof panecal_block_begin);
    q->v[0] = p->staged_bytes = n;
    q->v[1] = ~panecal_crc(PANECAL_CRC_START, block, n - 4);
    panecal_set32(block + n - 4, q->v[1]);
    p->staged_held = 0;
    return bring(p, q, OK);
}
