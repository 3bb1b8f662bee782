/* decoder.c: a unit in memory that takes any bytes for its line.
 *
 * The lowest two bits of the first byte choose what the rest is: 0 or 2, what
 * comes over the line; 1, payloads, each with two bytes of length before it,
 * that come in good packets; 3, a constants block, again with its length, that
 * is given a good check, staged and committed, and then payloads. Bit 2: writing
 * takes long, so the unit is busy first. Bit 3: there is a console.
 *
 * Whatever comes, each answer must be a whole packet no longer than announced,
 * with good deterministic CBOR in it. */
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "inside.h"

enum { ZONES = 6, BINS = 24, FRAMES = 5, BLOCK = PANECAL_BLOCK_BYTES(ZONES, BINS), IN = 512, OUT = 640, HELD = 3, WORD = 4 };

static uint8_t receive[PANECAL_RECEIVE_BYTES(HELD, IN)], staging[BLOCK], slots[2][PANECAL_SLOT_BYTES(BLOCK, WORD)];
static struct panecal unit;
static struct panecal_capture capture;
static uint32_t ms, steps;
static bool emitter;

static const uint8_t *line, *line_end;
static uint8_t answer[2 * OUT];
static size_t answer_bytes;

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool ok)
{
    if (!ok) {
        abort();
    }
}

static void check_answer(void)
{
    uint8_t payload[2 * OUT];
    size_t n = 0;
    for (size_t at = 0; at < answer_bytes;) {
        uint8_t code = answer[at++];
        must(code != 0 && at + code - 1u <= answer_bytes);
        memcpy(payload + n, answer + at, code - 1u);
        n += code - 1u;
        at += code - 1u;
        if (code != 0xFF && at < answer_bytes) {
            payload[n++] = 0;
        }
    }
    must(n > 4 && n - 4 <= OUT);
    n -= 4;
    must(panecal_get32(payload + n) == ~panecal_crc(PANECAL_CRC_START, payload, (uint32_t)n));
    must(panecal_cbor_skip(payload, payload + n) == payload + n && payload[0] == 0x85);
}

int panecal_port_read(void) { return line < line_end ? *line++ : -1; }

void panecal_port_write(const uint8_t *bytes, uint32_t count)
{
    must(count > 0 && count <= 255);
    for (; count > 0; count--, bytes++) {
        if (*bytes != 0) {
            must(answer_bytes < sizeof answer);
            answer[answer_bytes++] = *bytes;
        } else if (answer_bytes > 0) {
            check_answer();
            answer_bytes = 0;
        }
    }
}

uint32_t panecal_port_ms(void) { return ms += 40; }
void panecal_port_restart(void) {}
void panecal_port_console(uint8_t byte) { (void)byte; }

bool panecal_port_start(const struct panecal_capture *what)
{
    capture = *what;
    steps = 0;
    emitter = true;
    return what->shots % 7 != 0;
}

void panecal_port_dark(void) { emitter = false; }

void panecal_port_progress(struct panecal_progress *now)
{
    uint64_t all = (uint64_t)capture.shots * capture.frames;
    now->shots = emitter ? all * ++steps / 4 : all;
    now->frames = (uint16_t)(now->shots / capture.shots);
    now->state = steps >= 4 ? PANECAL_FINISHED : capture.shots % 11 == 0 ? PANECAL_FAILED : PANECAL_FIRING;
    now->left_ms = 5;
    now->millicelsius = -1;
}

void panecal_port_status(struct panecal_status *now)
{
    now->millicelsius = -273150;
    now->emitter = emitter;
    now->faults = ms % 64;
}

uint32_t panecal_port_count(uint32_t table, uint32_t zone, uint32_t column)
{
    uint32_t columns = table == PANECAL_TABLE_BINS ? BINS : table == PANECAL_TABLE_FRAMES ? FRAMES : 1;
    must(!emitter && zone < ZONES && column < columns);
    return (zone + 1) * (column + 1) * 2654435761u >> (zone * 6);
}

uint32_t panecal_port_range(uint32_t zone, int64_t values[6])
{
    must(zone < ZONES);
    for (int i = 0; i < 6; i++) {
        values[i] = (i % 2 == 0 && zone % 2 == 0 ? -1 : 1) * ((int64_t)1 << (zone * 9));
    }
    return zone == 1 ? 4 : 6;
}

void panecal_port_load(uint32_t slot, uint32_t offset, uint8_t *to, uint32_t bytes)
{
    must(slot < 2 && offset + bytes <= sizeof slots[0]);
    memcpy(to, slots[slot] + offset, bytes);
}

bool panecal_port_store(uint32_t slot, uint32_t offset, const uint8_t *from, uint32_t bytes)
{
    must(slot < 2 && offset + bytes <= sizeof slots[0]);
    memcpy(slots[slot] + offset, from, bytes);
    return true;
}

#define NUMBERS(commit_ms) {2, 3, BINS, 1000, -1000, 100, 0, 32, IN, OUT, HELD, commit_ms, 7, 0, FRAMES}
#define MEMORY .receive = receive, .staging = staging, .staging_bytes = BLOCK, .slot_bytes = PANECAL_SLOT_BYTES(BLOCK, WORD), .word_bytes = WORD
static const struct panecal_setup setups[4] = {
    {.identity = {"f", "", "fuzz", "1", NUMBERS(20)}, MEMORY},
    {.identity = {"f", "S", "fuzz", "1", NUMBERS(200)}, MEMORY},
    {.identity = {"f", "", "fuzz", "1", NUMBERS(20)}, MEMORY, .open_text = "aab", .close_text = "off"},
    {.identity = {"f", "", "fuzz", "1", NUMBERS(200)}, MEMORY, .open_text = "aab", .close_text = "off"},
};

static void run(const uint8_t *bytes, size_t n)
{
    line = bytes;
    line_end = bytes + n;
    while (line < line_end || unit.count > 0 || unit.work != 0) {
        panecal_poll(&unit);
        panecal_watchdog(&unit);
        for (uint32_t zone = 0; zone < ZONES; zone++) {
            int32_t value;
            uint8_t scale;
            panecal_stored(&unit, zone % 3, zone, zone * 5, &value, &scale);
        }
    }
}

/* A payload in a good packet. */
static void send(const uint8_t *payload, uint32_t n)
{
    uint8_t raw[IN + 8], packet[IN + 16];
    size_t at = 2, code = 1;
    memcpy(raw, payload, n);
    panecal_set32(raw + n, ~panecal_crc(PANECAL_CRC_START, payload, n));
    packet[0] = 0;
    packet[1] = 1;
    for (uint32_t i = 0; i < n + 4; i++) {
        if (raw[i] != 0) {
            packet[at++] = raw[i];
            packet[code]++;
        }
        if (raw[i] == 0 || packet[code] == 0xFF) {
            code = at;
            packet[at++] = 1;
        }
    }
    packet[at++] = 0;
    run(packet, at);
}

/* A head with a number of up to 16 bits. */
static uint32_t put16(uint8_t *to, uint8_t major, uint32_t value)
{
    to[0] = (uint8_t)(major << 5 | (value < 24 ? value : value < 256 ? 24 : 25));
    if (value >= 256) {
        to[1] = (uint8_t)(value >> 8);
        to[2] = (uint8_t)value;
        return 3;
    }
    to[1] = (uint8_t)value;
    return value < 24 ? 1 : 2;
}

/* Stages and commits a block whose check is good and whose length is stated. */
static void commit(const uint8_t *from, uint32_t n)
{
    uint8_t block[BLOCK], request[IN];
    memcpy(block, from, n);
    panecal_set32(block + 8, n);
    panecal_set32(block + n - 4, ~panecal_crc(PANECAL_CRC_START, block, n - 4));
    for (uint32_t at = 0; at < n; at += 200) {
        uint32_t part = n - at < 200 ? n - at : 200, end = 5;
        memcpy(request, "\x84\x01\x05\x07\xA3", 5);
        request[end++] = 1;
        end += put16(request + end, CBOR_UINT, n);
        request[end++] = 2;
        end += put16(request + end, CBOR_UINT, at);
        request[end++] = 3;
        end += put16(request + end, CBOR_BYTES, part);
        memcpy(request + end, block + at, part);
        send(request, end + part);
    }
    for (int twice = 0; twice < 2; twice++) {
        uint32_t tail = panecal_get32(block + n - 4), end = 6;
        memcpy(request, "\x84\x02\x05\x08\xA2\x01", 6);
        end += put16(request + end, CBOR_UINT, n);
        request[end++] = 2;
        request[end++] = 0x1A;
        for (int shift = 24; shift >= 0; shift -= 8) {
            request[end++] = (uint8_t)(tail >> shift);
        }
        send(request, end);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const uint8_t who[] = {0x84, 1, 5, 1, 0xA0};
    if (size < 3) {
        return 0;
    }
    memset(slots, 0xFF, sizeof slots);
    panecal_begin(&unit, &setups[data[0] >> 2 & 3]);
    answer_bytes = 0;
    if (data[0] & 8) {
        run((const uint8_t *)"aaab", 4);
        must(unit.open);
    }
    send(who, sizeof who); /* session 5 is open */
    if (data[0] % 2 == 0) {
        run(data + 1, size - 1);
        return 0;
    }
    for (size_t at = 1; at + 2 <= size;) {
        size_t n = data[at] | (size_t)data[at + 1] << 8;
        at += 2;
        n = n < size - at ? n : size - at;
        if (at == 3 && data[0] & 2) {
            n = n < BLOCK ? n : BLOCK;
            if (n >= 20) {
                commit(data + at, (uint32_t)n);
            }
        } else {
            n = n < IN ? n : IN;
            send(data + at, (uint32_t)n);
        }
        at += n;
    }
    return 0;
}
