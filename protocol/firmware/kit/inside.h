/* inside.h: what the files of the kit share. Not for the integrator. */
#ifndef PANECAL_INSIDE_H
#define PANECAL_INSIDE_H

#include "panecal.h"

static inline uint32_t panecal_number(const struct panecal *p, uint32_t which)
{
    return (uint32_t)p->setup->identity.number[which];
}

/* Little-endian bytes (blocks, checks). */
uint16_t panecal_get16(const uint8_t *at);
uint32_t panecal_get32(const uint8_t *at);
void panecal_set32(uint8_t *at, uint32_t value);

/* CRC-32C, carried on from a running value; begin with PANECAL_CRC_START and
 * take the complement at the end. Bytes with their own check behind them give
 * PANECAL_CRC_GOOD, whatever they are. */
#define PANECAL_CRC_START 0xFFFFFFFFul
#define PANECAL_CRC_GOOD 0xB798B438ul
uint32_t panecal_crc(uint32_t crc, const uint8_t *data, uint32_t bytes);

/* Packets. listen takes what the line has; a packet held is at receive. */
void panecal_listen(struct panecal *p);
void panecal_packet_begin(struct panecal *p);
void panecal_packet_put(struct panecal *p, uint8_t byte);
void panecal_packet_end(struct panecal *p);

/* Data items of CBOR. */
enum { CBOR_UINT, CBOR_NEGATIVE, CBOR_BYTES, CBOR_TEXT, CBOR_ARRAY, CBOR_MAP, CBOR_TAG };
struct panecal_item {
    uint8_t major;
    uint64_t value;       /* number, or length */
    const uint8_t *after; /* the head: bytes of a string, first item of an array or map */
};
/* What follows the first item, NULL unless it is whole and of the subset.
 * data and end may be any bytes. */
const uint8_t *panecal_cbor_skip(const uint8_t *data, const uint8_t *end);
/* Reads a head that was checked before. */
struct panecal_item panecal_cbor_read(const uint8_t *data);
uint32_t panecal_cbor_size(uint64_t value); /* of a head */
void panecal_cbor_head(struct panecal *p, uint32_t major, uint64_t value);

/* Codes of answers (4.4), requests (5), reasons of an end (5.3.8). */
enum {
    OK = 0, BUSY = 1, UNKNOWN = 2, BAD_ARGUMENT = 3, NO_SESSION = 4, CAPTURING = 5, NO_CAPTURE = 6,
    UNSUPPORTED = 7, NOT_STAGED = 8, WRONG_UNIT = 9, FAULT = 10
};
enum { WHO = 1, STATUS, START, PROGRESS, FETCH, READ, STAGE, COMMIT, VOID, RESTART, STOP };
enum { COMPLETE = 1, STOPPED = 2, WATCHDOG = 3, FAILED = 4 };
enum { TABLE_RANGES = 4 };

/* Messages. */
enum { ID, SESSION, NUMBER };
struct request {
    uint32_t head[3];           /* id, session, number of the request */
    const uint8_t *pairs, *end; /* arguments */
    uint32_t count;             /* of pairs */
    uint32_t v[5];              /* numbers with keys 1 to 5, as many as the request has */
};
bool panecal_parse(const uint8_t *payload, uint16_t bytes, struct request *q);
bool panecal_arguments(struct request *q); /* reads v; of requests that exist */
bool panecal_find(const struct request *q, uint32_t key, struct panecal_item *it);
void panecal_put_uint(struct panecal *p, uint64_t v);
void panecal_put_int(struct panecal *p, int64_t v);
void panecal_put_pairs(struct panecal *p, uint32_t first, const int64_t *v, uint32_t n);
void panecal_answer_begin(struct panecal *p, const struct request *q, uint32_t code, uint32_t keys, const int64_t *v, uint32_t n);
void panecal_answer(struct panecal *p, const struct request *q, uint32_t code, const int64_t *v, uint32_t n);
uint32_t panecal_room(const struct panecal *p, const struct request *q, const int64_t *v, uint32_t n);

/* Captures. Requests return their code and have answered if it is OK. */
void panecal_follow(struct panecal *p);
void panecal_end(struct panecal *p, uint8_t reason);
uint8_t panecal_start(struct panecal *p, const struct request *q);
uint8_t panecal_tell_progress(struct panecal *p, const struct request *q);
uint8_t panecal_fetch(struct panecal *p, const struct request *q);

/* Constants. */
uint8_t panecal_read(struct panecal *p, const struct request *q);
uint8_t panecal_stage(struct panecal *p, const struct request *q);
uint8_t panecal_commit(struct panecal *p, const struct request *q); /* these two: answer not begun */
uint8_t panecal_void(struct panecal *p, struct request *q);
uint8_t panecal_write_now(struct panecal *p); /* what is staged */

/* Slots of memory for them. */
uint32_t panecal_mark_at(const struct panecal *p); /* where in a slot its mark stands; a block ends before */
void panecal_constants_find(struct panecal *p);
void panecal_constants_check(struct panecal *p); /* is the block in force still whole? */
bool panecal_constants_write(struct panecal *p, const uint8_t *block, uint32_t bytes);
/* Judges what is staged and shall end with these four bytes; a code of 4.4. */
uint8_t panecal_constants_judge(const struct panecal *p, uint32_t tail);
extern const uint8_t panecal_block_begin[8]; /* of a void form, and but for the flags of any block */

#endif
