"""What the C of a contract stands on: bits, checksums, signs, rounding and stream codings, of which each source holds
those that it uses."""

from __future__ import annotations

import re

_HELPERS = """
/* Little-endian layouts count bits from bit 0 of the first byte, big-endian ones from bit 7. */
static void put_bits(uint8_t *out, size_t at, unsigned bits, uint64_t number, bool big)
{
    for (unsigned i = 0; i < bits; i++) {
        const size_t place = at + i;
        const unsigned inside = big ? bits - 1u - i : i;
        const unsigned mask = big ? 0x80u >> (place % 8u) : 1u << (place % 8u);
        if ((number >> inside) & 1u) {
            out[place / 8u] = (uint8_t)(out[place / 8u] | mask);
        }
    }
}

static uint64_t get_bits(const uint8_t *in, size_t at, unsigned bits, bool big)
{
    uint64_t number = 0;
    for (unsigned i = 0; i < bits; i++) {
        const size_t place = at + i;
        const unsigned inside = big ? bits - 1u - i : i;
        const unsigned mask = big ? 0x80u >> (place % 8u) : 1u << (place % 8u);
        if (in[place / 8u] & mask) {
            number |= UINT64_C(1) << inside;
        }
    }
    return number;
}

static void put_bytes(uint8_t *out, size_t at, unsigned bits, uint64_t number, bool big)
{
    const unsigned size = bits / 8u;
    for (unsigned i = 0; i < size; i++) {
        out[at / 8u + (big ? size - 1u - i : i)] = (uint8_t)(number >> (8u * i));
    }
}

static uint64_t get_bytes(const uint8_t *in, size_t at, unsigned bits, bool big)
{
    const unsigned size = bits / 8u;
    uint64_t number = 0;
    for (unsigned i = 0; i < size; i++) {
        number |= (uint64_t)in[at / 8u + (big ? size - 1u - i : i)] << (8u * i);
    }
    return number;
}

static uint64_t crc_of(const uint8_t *in, size_t length, unsigned width, uint64_t poly, uint64_t init, bool refin,
                       bool refout, uint64_t xorout)
{
    const uint64_t top = UINT64_C(1) << (width - 1u);
    const uint64_t mask = top | (top - 1u);
    uint64_t state = init;
    for (size_t i = 0; i < length; i++) {
        for (unsigned bit = 0; bit < 8u; bit++) {
            const unsigned place = refin ? bit : 7u - bit;
            const bool one = (((unsigned)in[i] >> place) & 1u) != 0u;
            const bool high = (state & top) != 0u;
            state = (state << 1u) & mask;
            if (one != high) {
                state ^= poly;
            }
        }
    }
    if (refout) {
        uint64_t turned = 0;
        for (unsigned bit = 0; bit < width; bit++) {
            if ((state >> bit) & 1u) {
                turned |= top >> bit;
            }
        }
        state = turned;
    }
    return (state ^ xorout) & mask;
}

static uint64_t sum_of(const uint8_t *in, size_t length)
{
    uint64_t sum = 0;
    for (size_t i = 0; i < length; i++) {
        sum += in[i];
    }
    return sum;
}

static uint64_t xor_of(const uint8_t *in, size_t length)
{
    uint64_t found = 0;
    for (size_t i = 0; i < length; i++) {
        found ^= in[i];
    }
    return found;
}

static int64_t with_sign(uint64_t number, unsigned bits)
{
    const uint64_t top = UINT64_C(1) << (bits - 1u);
    if (!(number & top)) {
        return (int64_t)number;
    }
    /* the distance below zero fits; a conversion of what does not fit would be the compiler's choice */
    return -(int64_t)((~number & (top - 1u))) - 1;
}

static int64_t nearest(int64_t top, int64_t bottom)
{
    int64_t whole = top / bottom;
    int64_t rest = top % bottom;
    if (rest < 0) {
        rest += bottom;
        whole -= 1;
    }
    if (rest > bottom - rest || (rest == bottom - rest && (whole & 1))) {
        whole += 1;
    }
    return whole;
}

/* Consistent Overhead Byte Stuffing; 0 where there is no room. */
static size_t cobs_encoded(const uint8_t *in, size_t size, uint8_t *out, size_t room)
{
    size_t start = 0;
    size_t at = 1;
    if (room == 0) {
        return 0;
    }
    for (size_t i = 0; i < size; i++) {
        const bool full = at - start == 255u;
        if (room - at < (full ? 2u : 1u)) {
            return 0;
        }
        if (full) {
            out[start] = 255u;
            start = at++;
        }
        if (in[i] != 0) {
            out[at++] = in[i];
        } else {
            out[start] = (uint8_t)(at - start);
            start = at++;
        }
    }
    out[start] = (uint8_t)(at - start);
    return at;
}

static bool cobs_decoded(uint8_t *bytes, size_t *size)
{
    size_t in = 0;
    size_t out = 0;
    while (in < *size) {
        const size_t code = bytes[in];
        if (code == 0 || code > *size - in) {
            return false;
        }
        memmove(bytes + out, bytes + in + 1u, code - 1u);
        out += code - 1u;
        in += code;
        if (code < 255u && in < *size) {
            bytes[out++] = 0;
        }
    }
    *size = out;
    return true;
}

/* RFC 1055; 0 where there is no room, or for a message of no bytes. */
static size_t slip_encoded(const uint8_t *in, size_t size, uint8_t *out, size_t room)
{
    size_t at = 0;
    for (size_t i = 0; i < size; i++) {
        const bool escaped = in[i] == 0xC0u || in[i] == 0xDBu;
        if (room - at < (escaped ? 2u : 1u)) {
            return 0;
        }
        if (escaped) {
            out[at++] = 0xDBu;
            out[at++] = in[i] == 0xC0u ? 0xDCu : 0xDDu;
        } else {
            out[at++] = in[i];
        }
    }
    return at;
}

static bool slip_decoded(uint8_t *bytes, size_t *size)
{
    size_t out = 0;
    for (size_t in = 0; in < *size; in++) {
        uint8_t byte = bytes[in];
        if (byte == 0xDBu) {
            in++;
            if (in == *size || (bytes[in] != 0xDCu && bytes[in] != 0xDDu)) {
                return false;
            }
            byte = bytes[in] == 0xDCu ? 0xC0u : 0xDBu;
        }
        bytes[out++] = byte;
    }
    *size = out;
    return true;
}
"""


def helpers(body: str) -> list[str]:
    """The functions that a source calls, each as its text; nearest is always one."""
    every = _HELPERS.strip("\n").split("\n\n")
    return [part for part in every if _name(part) in body or _name(part) == "nearest"]


def _name(text: str) -> str:
    found = re.search(r"(\w+)\(", text.split("\n", 1)[1] if text.startswith("/*") else text)
    return found[1] if found else ""
