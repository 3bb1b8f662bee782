/* block.c: what the station asks of the constants (SPEC.md 5.6). */
#include <stddef.h>
#include <string.h>

#include "inside.h"

enum { QUICK_MS = 50 }; /* what may be done before an answer begins */

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

uint8_t panecal_write_now(struct panecal *p, uint8_t work)
{
    bool ok = work == COMMIT_VOID ? panecal_constants_write(p, panecal_void_form, sizeof panecal_void_form)
                                  : panecal_constants_write(p, p->setup->staging, p->staged_bytes);
    if (ok && work == COMMIT_STAGED) {
        p->staged_bytes = 0;
        p->staged_held = 0;
    }
    p->memory_fault = !ok;
    return ok ? OK : FAULT;
}

/* Writes a block, at once or, if that takes long, after a busy answer. The
 * request comes again then and finds the block in force. */
static uint8_t write_or_busy(struct panecal *p, uint8_t work)
{
    if (p->write_failed) {
        p->write_failed = false; /* what the busy answer promised went wrong */
        return FAULT;
    }
    if (panecal_number(p, PANECAL_COMMIT_MS) <= QUICK_MS) {
        return panecal_write_now(p, work);
    }
    p->work = work;
    return BUSY;
}

static bool in_force(const struct panecal *p, uint32_t length, uint32_t tail)
{
    return p->sound && length == p->length && tail == p->tail;
}

uint8_t panecal_commit(struct panecal *p, const struct request *q)
{
    uint32_t length = q->v[0], tail = q->v[1];
    if (in_force(p, length, tail)) {
        return OK;
    }
    if (p->running) {
        return CAPTURING;
    }
    uint8_t code = length == p->staged_bytes ? panecal_constants_judge(p, tail) : NOT_STAGED;
    return code != OK ? code : write_or_busy(p, COMMIT_STAGED);
}

uint8_t panecal_void(struct panecal *p)
{
    if (p->length == 0 || in_force(p, sizeof panecal_void_form, panecal_get32(panecal_void_form + 16))) {
        return OK;
    }
    return p->running ? CAPTURING : write_or_busy(p, COMMIT_VOID);
}

