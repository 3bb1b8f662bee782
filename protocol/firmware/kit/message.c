/* message.c: requests taken apart, answers put together (SPEC.md 4.1). */
#include <stddef.h>
#include <string.h>

#include "inside.h"

bool panecal_parse(const uint8_t *payload, uint16_t bytes, struct request *q)
{
    q->end = payload + bytes;
    if (panecal_cbor_skip(payload, q->end) != q->end) {
        return false;
    }
    struct panecal_item it = panecal_cbor_read(payload);
    if (it.major != CBOR_ARRAY || it.value != 4) {
        return false;
    }
    for (int i = 0; i < 3; i++) {
        it = panecal_cbor_read(it.after);
        if (it.major != CBOR_UINT || it.value > 0xFFFFFFFFul) {
            return false;
        }
        q->head[i] = (uint32_t)it.value;
    }
    it = panecal_cbor_read(it.after);
    q->pairs = it.after;
    q->count = (uint32_t)it.value;
    return it.major == CBOR_MAP;
}

bool panecal_find(const struct request *q, uint32_t key, struct panecal_item *it)
{
    const uint8_t *at = q->pairs;
    for (uint32_t i = 0; i < q->count; i++) {
        *it = panecal_cbor_read(at);
        at = it->after;
        if (it->value == key) {
            *it = panecal_cbor_read(at);
            return true;
        }
        at = panecal_cbor_skip(at, q->end);
    }
    return false;
}

/* Reads the numbers that a request must have; false if one is missing, of
 * another kind or out of range. */
bool panecal_arguments(struct request *q)
{
    /* Of keys 1, 2, ... of each request in turn. */
    static const struct {
        uint32_t most[17];
        uint8_t least[17];
    } is = {
        {0xFFFFFFFFul, 4, 1, 0xFFFFFFFFul, 256,    /* start */
         0xFFFFFFFFul,                             /* progress */
         0xFFFFFFFFul, 4, 1023, 1023, 262144,      /* fetch */
         524287, 8192,                             /* read constants */
         524288, 524287,                           /* stage */
         524288, 0xFFFFFFFFul},                    /* commit */
        {1, 1, 0, 1, 1,  1,  1, 1, 0, 0, 1,  0, 1,  1, 0,  1, 0},
    };
    static const uint8_t first[] = {0, 0, 0, 0, 5, 6, 11, 13, 15, 17, 17, 17, 17};
    const uint8_t *from = first + q->head[NUMBER];
    for (uint32_t i = from[0], n = 0; i < from[1]; i++, n++) {
        struct panecal_item it;
        if (!panecal_find(q, n + 1, &it) || it.major != CBOR_UINT || it.value < is.least[i] ||
            it.value > is.most[i]) {
            return false;
        }
        q->v[n] = (uint32_t)it.value;
    }
    return true;
}

void panecal_put_uint(struct panecal *p, uint64_t v)
{
    panecal_cbor_head(p, CBOR_UINT, v);
}

void panecal_put_int(struct panecal *p, int64_t v)
{
    if (v < 0) {
        panecal_cbor_head(p, CBOR_NEGATIVE, (uint64_t)(-1 - v));
    } else {
        panecal_put_uint(p, (uint64_t)v);
    }
}

/* Pairs of a key, counted from first, and a number. */
void panecal_put_pairs(struct panecal *p, uint32_t first, const int64_t *v, uint32_t n)
{
    for (uint32_t i = 0; i < n; i++) {
        panecal_put_uint(p, first + i);
        panecal_put_int(p, v[i]);
    }
}

/* Begins an answer whose body has so many keys, the first n with numbers. */
void panecal_answer_begin(struct panecal *p, const struct request *q, uint32_t code, uint32_t keys, const int64_t *v, uint32_t n)
{
    p->begun = true;
    panecal_packet_begin(p);
    panecal_cbor_head(p, CBOR_ARRAY, 5);
    panecal_put_uint(p, q->head[ID]);
    panecal_put_uint(p, p->session);
    panecal_put_uint(p, q->head[NUMBER]);
    panecal_put_uint(p, code);
    panecal_cbor_head(p, CBOR_MAP, keys);
    panecal_put_pairs(p, 1, v, n);
}

/* An answer whose body is n numbers. */
void panecal_answer(struct panecal *p, const struct request *q, uint32_t code, const int64_t *v, uint32_t n)
{
    panecal_answer_begin(p, q, code, n, v, n);
    panecal_packet_end(p);
}

/* Bytes left for what follows an envelope and so many keys with numbers. */
uint32_t panecal_room(const struct panecal *p, const struct request *q, const int64_t *v, uint32_t n)
{
    uint32_t used = 3u + panecal_cbor_size(q->head[ID]) + panecal_cbor_size(p->session) + panecal_cbor_size(q->head[NUMBER]);
    for (uint32_t i = 0; i < n; i++) {
        used += 1u + panecal_cbor_size((uint64_t)v[i]);
    }
    return panecal_number(p, PANECAL_PAYLOAD_OUT) - used;
}

