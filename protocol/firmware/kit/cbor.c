/* cbor.c: the subset of deterministic CBOR that the wire uses (SPEC.md 3.3). */
#include <stddef.h>

#include "inside.h"

enum { DEPTH = 4 };

struct panecal_item panecal_cbor_read(const uint8_t *data)
{
    struct panecal_item it;
    uint8_t info = *data & 31;
    it.major = *data++ >> 5;
    it.value = info;
    if (info >= 24) {
        it.value = 0;
        for (uint8_t size = (uint8_t)(1u << (info - 24)); size > 0; size--) {
            it.value = it.value << 8 | *data++;
        }
    }
    it.after = data;
    return it;
}

uint32_t panecal_cbor_size(uint64_t value)
{
    if (value < 24) {
        return 1;
    }
    return value <= 0xFF ? 2 : value <= 0xFFFF ? 3 : value <= 0xFFFFFFFFul ? 5 : 9;
}

/* Reads a head out of untrusted bytes: whole, definite, as short as can be. */
static bool head(const uint8_t *data, const uint8_t *end, struct panecal_item *it)
{
    if (data == end || *data >> 5 > CBOR_TAG) {
        return false;
    }
    uint8_t info = *data & 31;
    if (info >= 24 && (info > 27 || end - data <= 1 << (info - 24))) {
        return false;
    }
    *it = panecal_cbor_read(data);
    return (uint32_t)(it->after - data) == panecal_cbor_size(it->value);
}

/* UTF-8 (RFC 3629): no surrogates, nothing longer than needed. */
static bool utf8(const uint8_t *s, const uint8_t *end)
{
    while (s < end) {
        uint8_t lead = *s++;
        if (lead < 0x80) {
            continue;
        }
        uint8_t more = lead >= 0xF0 ? 3 : lead >= 0xE0 ? 2 : 1;
        if (lead < 0xC2 || lead > 0xF4 || end - s < more) {
            return false;
        }
        uint8_t low = lead == 0xE0 ? 0xA0 : lead == 0xF0 ? 0x90 : 0x80;
        uint8_t high = lead == 0xED ? 0x9F : lead == 0xF4 ? 0x8F : 0xBF;
        while (more-- > 0) {
            if (*s < low || *s > high) {
                return false;
            }
            s++;
            low = 0x80;
            high = 0xBF;
        }
    }
    return true;
}

/* A typed array: whole numbers, little endian, no wider than they need. */
static bool typed(uint64_t tag, const struct panecal_item *bytes)
{
    uint8_t width = tag == 64 ? 1 : tag == 69 ? 2 : tag == 70 ? 4 : 0;
    if (width == 0 || bytes->major != CBOR_BYTES || bytes->value % width != 0) {
        return false;
    }
    for (uint64_t i = 0; i < bytes->value; i++) {
        if (i % width >= width / 2u && bytes->after[i] != 0) {
            return true;
        }
    }
    return width == 1;
}

const uint8_t *panecal_cbor_skip(const uint8_t *data, const uint8_t *end)
{
    struct {
        uint64_t left;  /* items to come; of a map keys and values */
        uint64_t least; /* that the next key may be */
        bool map;
    } open[DEPTH + 1], *in = open;
    in->left = 1;
    in->map = false;
    for (;;) {
        struct panecal_item it;
        if (!head(data, end, &it)) {
            return NULL;
        }
        if (in->map && in->left % 2 == 0) {
            if (it.major != CBOR_UINT || it.value < in->least || it.value > INT64_MAX) {
                return NULL;
            }
            in->least = it.value + 1;
        }
        data = it.after;
        if (it.major == CBOR_ARRAY || it.major == CBOR_MAP) {
            if (in == open + DEPTH || it.value > (uint64_t)(end - data)) {
                return NULL;
            }
            in++;
            in->map = it.major == CBOR_MAP;
            in->left = it.value << in->map;
            in->least = 0;
        } else {
            uint64_t tag = it.value;
            bool is_typed = it.major == CBOR_TAG;
            if (is_typed && !head(data, end, &it)) {
                return NULL;
            }
            if (it.major != CBOR_UINT && it.major != CBOR_NEGATIVE) {
                if (it.value > (uint64_t)(end - it.after)) {
                    return NULL;
                }
                data = it.after + it.value;
            }
            if ((is_typed && !typed(tag, &it)) || (it.major == CBOR_TEXT && !utf8(it.after, data))) {
                return NULL;
            }
            in->left--;
        }
        while (in->left == 0) {
            if (in == open) {
                return data;
            }
            in--;
            in->left--;
        }
    }
}

void panecal_cbor_head(struct panecal *p, uint32_t major, uint64_t value)
{
    uint32_t size = panecal_cbor_size(value);
    unsigned info = size == 1 ? (unsigned)value : 24u + (size > 2) + (size > 3) + (size > 5);
    panecal_packet_put(p, (uint8_t)(major << 5 | info));
    while (--size > 0) {
        panecal_packet_put(p, (uint8_t)(value >> 8 * (size - 1)));
    }
}
