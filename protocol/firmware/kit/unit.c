/* unit.c: dispatch, sessions, life (SPEC.md 4.3, 4.5, 5.1, 5.2, 5.7). */
#include <stddef.h>
#include <string.h>

#include "inside.h"

enum { CONSOLE_MS = 10000 }; /* protocol mode without a request, 2.4 */

static uint8_t who(struct panecal *p, const struct request *q)
{
    const struct panecal_identity *id = &p->setup->identity;
    const char *const texts[4] = {id->unit, id->serial, id->product, id->firmware};
    const int64_t versions[2] = {PANECAL_VERSION, PANECAL_VERSION};
    panecal_answer_begin(p, q, OK, 21, NULL, 0);
    for (uint32_t i = 0; i < 4; i++) {
        uint32_t n = (uint32_t)strlen(texts[i]);
        panecal_put_uint(p, i + 1);
        panecal_cbor_head(p, CBOR_TEXT, n);
        for (uint32_t k = 0; k < n; k++) {
            panecal_packet_put(p, (uint8_t)texts[i][k]);
        }
    }
    panecal_put_pairs(p, 5, versions, 2);
    panecal_put_pairs(p, 7, id->number, PANECAL_NUMBERS);
    panecal_packet_end(p);
    return OK;
}

static uint8_t status(struct panecal *p, const struct request *q)
{
    struct panecal_status now = {0, false, 0};
    panecal_port_status(&now);
    if (p->length > 0 && !p->sound) {
        now.faults |= PANECAL_FAULT_CONSTANTS;
    }
    if (p->memory_fault) {
        now.faults |= PANECAL_FAULT_MEMORY;
    }
    const int64_t v[4] = {now.millicelsius, now.emitter, now.faults, p->capture.id};
    panecal_answer(p, q, OK, v, 4);
    return OK;
}

/* Carries out a request of the open session and returns its code. One that
 * has a body to tell has begun its own answer, with code 0. */
static uint8_t serve(struct panecal *p, struct request *q)
{
    if (q->head[NUMBER] < WHO || q->head[NUMBER] > STOP) {
        return UNKNOWN;
    }
    if (!panecal_arguments(q)) {
        return BAD_ARGUMENT;
    }
    if (q->head[NUMBER] != FETCH) {
        panecal_constants_check(p); /* memory rots: nothing may rely on an older look */
    }
    switch (q->head[NUMBER]) {
    case WHO:
        return who(p, q);
    case STATUS:
        return status(p, q);
    case START:
        return panecal_start(p, q);
    case PROGRESS:
        return panecal_tell_progress(p, q);
    case FETCH:
        return panecal_fetch(p, q);
    case READ:
        return panecal_read(p, q);
    case STAGE:
        return panecal_stage(p, q);
    case COMMIT:
        return panecal_commit(p, q);
    case VOID:
        return panecal_void(p, q);
    default:
        break;
    }
    return OK;
}

static void forget(struct panecal *p)
{
    panecal_end(p, STOPPED); /* with which reason, nobody can ask */
    p->capture.id = 0;
    p->staged_held = 0;
    p->work = false;
    p->write_failed = false;
}

static void hear(struct panecal *p, const uint8_t *payload, uint16_t bytes)
{
    struct request q;
    if (!panecal_parse(payload, bytes, &q)) {
        return; /* like a damaged packet */
    }
    p->begun = false;
    p->asked = panecal_port_ms();
    if (q.head[NUMBER] == WHO && q.head[SESSION] != 0 && q.head[SESSION] != p->session) {
        forget(p);
        p->session = q.head[SESSION];
    }
    bool ours = q.head[SESSION] == p->session && p->session != 0;
    if (ours) {
        p->fed = 1;
    }
    if (q.head[NUMBER] == STOP) {
        panecal_port_dark(); /* before the answer begins, whatever the kit believes */
        panecal_end(p, STOPPED);
        panecal_answer(p, &q, OK, NULL, 0);
        return;
    }
    uint8_t code = NO_SESSION;
    if (ours) {
        code = p->work ? BUSY : serve(p, &q);
    }
    if (!p->begun) {
        const int64_t ms = panecal_number(p, PANECAL_COMMIT_MS);
        panecal_answer(p, &q, code, &ms, code == BUSY);
    }
    if (code == OK && q.head[NUMBER] == RESTART) {
        panecal_port_dark();
        panecal_port_restart();
    }
}

static void close_mode(struct panecal *p)
{
    forget(p);
    panecal_port_dark();
    p->session = 0;
    p->open = false;
    p->closing = false;
    p->inside = false;
    p->first = p->next;
    p->count = 0;
    p->matched = 0;
}

void panecal_begin(struct panecal *p, const struct panecal_setup *setup)
{
    panecal_port_dark();
    memset(p, 0, sizeof *p);
    p->setup = setup;
    p->open = setup->open_text == NULL;
    panecal_constants_find(p);
}

bool panecal_poll(struct panecal *p)
{
    panecal_listen(p);
    panecal_follow(p);
    if (p->count > 0) {
        uint32_t stride = panecal_number(p, PANECAL_PAYLOAD_IN) + 4u;
        hear(p, p->setup->receive + p->first * stride, p->size[p->first]);
        p->first = (uint8_t)((p->first + 1) % panecal_number(p, PANECAL_HELD));
        p->count--;
    } else if (p->work) {
        /* Only once every request that was on its way has its busy answer. */
        p->work = false;
        p->write_failed = panecal_write_now(p) != OK;
    }
    if (p->open && (p->closing ||
                    (p->setup->open_text != NULL && panecal_port_ms() - p->asked >= CONSOLE_MS))) {
        close_mode(p);
    }
    return p->open;
}

uint32_t panecal_add(uint32_t count, uint32_t more, uint8_t bits)
{
    uint32_t most = bits >= 32 ? 0xFFFFFFFFu : ((uint32_t)1 << bits) - 1;
    return more < most - count ? count + more : most;
}
