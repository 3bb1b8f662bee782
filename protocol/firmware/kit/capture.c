/* capture.c: captures, their progress and their tables (SPEC.md 5.3 to 5.5). */
#include <stddef.h>
#include <string.h>

#include "inside.h"

enum { EMITTER_MS = 1000 }; /* light without a request, 7.2 */

/* Brings what is known of the capture up to date, for the last time once its
 * emitter is off: a capture held does not change. */
static void look(struct panecal *p)
{
    if (p->capture.id == 0 || p->frozen) {
        return;
    }
    bool over = !p->running;
    panecal_port_progress(&p->progress);
    if (over) {
        p->progress.left_ms = 0;
        p->frozen = true;
    }
}

void panecal_end(struct panecal *p, uint8_t reason)
{
    if (p->running) {
        p->running = 0; /* from here on the watchdog's interrupt keeps out */
        panecal_port_dark();
        if (p->end == 0) {
            p->end = reason; /* the first reason stays */
        }
    }
    look(p);
}

void panecal_follow(struct panecal *p)
{
    look(p);
    if (p->running && p->progress.state != PANECAL_FIRING) {
        panecal_end(p, p->progress.state == PANECAL_FINISHED ? COMPLETE : FAILED);
    }
}

void panecal_watchdog(struct panecal *p)
{
    if (p->fed) {
        p->fed = 0;
        p->heard = panecal_port_ms();
    }
    if (p->running && panecal_port_ms() - p->heard >= EMITTER_MS) {
        p->running = 0;
        panecal_port_dark();
        if (p->end == 0) {
            p->end = WATCHDOG;
        }
    }
}

uint8_t panecal_tell_progress(struct panecal *p, const struct request *q)
{
    if (q->v[0] != p->capture.id) {
        return NO_CAPTURE;
    }
    panecal_follow(p);
    const struct panecal_progress *now = &p->progress;
    const int64_t v[6] = {q->v[0], p->end, (int64_t)now->shots, now->frames, now->left_ms, now->millicelsius};
    panecal_answer(p, q, OK, v, 6);
    return OK;
}

uint8_t panecal_start(struct panecal *p, const struct request *q)
{
    uint32_t kind = q->v[1];
    bool ranges = kind == PANECAL_RANGES, compensated = q->v[2] != 0;
    const struct panecal_capture what = {q->v[0], (uint8_t)kind, ranges && compensated, q->v[3], (uint16_t)q->v[4]};
    if (what.frames > panecal_number(p, PANECAL_FRAMES)) {
        return BAD_ARGUMENT;
    }
    if (what.id == p->capture.id) {
        return panecal_tell_progress(p, q); /* asked twice */
    }
    if (p->running) {
        return CAPTURING;
    }
    if (!(panecal_number(p, PANECAL_KINDS) & PANECAL_KIND(kind)) || (ranges && !compensated && !panecal_number(p, PANECAL_UNCOMPENSATED))) {
        return UNSUPPORTED;
    }
    uint8_t before = p->end;
    p->end = 0;
    p->running = 1; /* first: the watchdog guards the start, too */
    if (!panecal_port_start(&what)) {
        p->running = 0;
        p->end = before;
        panecal_port_dark();
        return FAULT;
    }
    p->capture = what;
    p->frozen = false;
    return panecal_tell_progress(p, q);
}

/* A part of an answer to fetch. */
struct part {
    uint32_t table, zone, column;
    uint32_t values; /* wanted; afterwards those that fit */
    uint32_t width;  /* of a value, bytes */
    uint32_t numbers; /* of a range */
    int64_t range[6];
};

/* Cuts a part down to what fits into room bytes; returns its bytes, 0 if
 * nothing fits. */
static uint32_t fit(struct part *part, uint32_t room)
{
    uint32_t bytes = 0, all = 0, wanted = part->values;
    if (room > 8192) {
        return 0; /* less than nothing is left */
    }
    if (part->table == TABLE_RANGES) {
        part->numbers = panecal_port_range(part->zone, part->range);
        bytes = 1;
        for (uint32_t i = 0; i < part->numbers; i++) {
            int64_t v = part->range[i];
            bytes += panecal_cbor_size((uint64_t)(v < 0 ? -1 - v : v));
        }
        return bytes <= room ? bytes : 0;
    }
    for (uint32_t n = 1; n <= wanted; n++) {
        /* Ored together the counts are as wide as the widest of them. */
        all |= panecal_port_count(part->table, part->zone, part->column + n - 1);
        uint32_t width = all > 0xFFFF ? 4 : all > 0xFF ? 2 : 1;
        uint32_t size = 2u + panecal_cbor_size(n * width) + n * width;
        if (size > room) {
            break;
        }
        bytes = size;
        part->values = n;
        part->width = width;
    }
    return bytes;
}

/* Lets a part go to the end of its zone, if so many values are left. */
static uint32_t limit(struct part *part, uint32_t wide, uint32_t left)
{
    part->values = wide - part->column < left ? wide - part->column : left;
    return part->values;
}

static void put_part(struct panecal *p, const struct part *part)
{
    if (part->table == TABLE_RANGES) {
        panecal_cbor_head(p, CBOR_ARRAY, part->numbers);
        for (uint32_t i = 0; i < part->numbers; i++) {
            panecal_put_int(p, part->range[i]);
        }
        return;
    }
    panecal_cbor_head(p, CBOR_TAG, part->width == 1 ? 64 : part->width == 2 ? 69 : 70);
    panecal_cbor_head(p, CBOR_BYTES, part->values * part->width);
    for (uint32_t i = 0; i < part->values; i++) {
        uint32_t v = panecal_port_count(part->table, part->zone, part->column + i);
        for (uint32_t byte = 0; byte < part->width; byte++, v >>= 8) {
            panecal_packet_put(p, (uint8_t)v);
        }
    }
}

uint8_t panecal_fetch(struct panecal *p, const struct request *q)
{
    uint32_t zones = (uint32_t)panecal_number(p, PANECAL_ROWS) * panecal_number(p, PANECAL_COLUMNS);
    uint32_t table = q->v[1], zone = q->v[2], first = q->v[3], count = q->v[4];
    bool known = q->v[0] == p->capture.id;
    uint32_t wide = table == PANECAL_TABLE_BINS ? panecal_number(p, PANECAL_BINS)
                    : table != PANECAL_TABLE_FRAMES ? 1
                    : known ? p->capture.frames : panecal_number(p, PANECAL_FRAMES);
    /* Which kind a table belongs to; totals and frame totals to two of them. */
    uint8_t kind = p->capture.kind;
    bool has = table == PANECAL_TABLE_BINS ? kind == PANECAL_HISTOGRAMS || kind == PANECAL_EVEN_LIGHT
               : (table == TABLE_RANGES) == (kind == PANECAL_RANGES);
    if (zone >= zones || first >= wide || count > (zones - zone) * wide - first || (known && !has)) {
        return BAD_ARGUMENT;
    }
    if (!known || p->running) {
        return NO_CAPTURE;
    }
    const int64_t v[4] = {q->v[0], table, zone, first};
    uint32_t most = panecal_room(p, q, v, 4) - 1; /* for the list of parts, its head included */
    /* First see how much fits, then send that. */
    struct part part;
    part.table = table;
    part.zone = zone;
    part.column = first;
    uint32_t parts = 0, values = 0, used = 0;
    while (values < count) {
        uint32_t wanted = limit(&part, wide, count - values);
        uint32_t bytes = fit(&part, most - used - panecal_cbor_size(parts + 1));
        if (bytes == 0) {
            break;
        }
        used += bytes;
        values += part.values;
        parts++;
        if (part.values < wanted) {
            break;
        }
        part.zone++;
        part.column = 0;
    }
    panecal_answer_begin(p, q, OK, 5, v, 4);
    panecal_put_uint(p, 5);
    panecal_cbor_head(p, CBOR_ARRAY, parts);
    part.zone = zone;
    part.column = first;
    while (values > 0) {
        values -= limit(&part, wide, values);
        fit(&part, most);
        put_part(p, &part);
        part.zone++;
        part.column = 0;
    }
    panecal_packet_end(p);
    return OK;
}

