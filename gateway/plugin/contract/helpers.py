"""What the C of a contract stands on: bits, checksums, signs, rounding and stream codings, of which each source holds
those that it uses."""

from __future__ import annotations

import re

from gateway.plugin.contract import texts

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

/* The counter's last bytes count, most significant first. */
static void count_up(uint8_t *counter, unsigned wide)
{
    for (unsigned i = 16u; i > 16u - wide; i--) {
        counter[i - 1u] = (uint8_t)(counter[i - 1u] + 1u);
        if (counter[i - 1u] != 0) {
            return;
        }
    }
}

/* Counter mode: NIST SP 800-38A, 6.5. */
static void ctr_code(BLOCK, uint8_t *counter,
                     unsigned wide, const uint8_t *in, size_t size, uint8_t *out)
{
    uint8_t pad[16] = {0};
    for (size_t i = 0; i < size; i++) {
        if (i % 16u == 0) {
            block(key, counter, pad);
            count_up(counter, wide);
        }
        out[i] = (uint8_t)(in[i] ^ pad[i % 16u]);
    }
}

/* Chained blocks, the last one filled up with zeros where whole says so. */
static void mac_add(BLOCK, uint8_t *state,
                    size_t *at, const uint8_t *in, size_t size, bool whole)
{
    uint8_t next[16];
    for (size_t i = 0; i < size; i++) {
        state[*at] = (uint8_t)(state[*at] ^ in[i]);
        *at += 1u;
        if (*at == 16u) {
            block(key, state, next);
            memcpy(state, next, 16u);
            *at = 0;
        }
    }
    if (whole && *at > 0) {
        block(key, state, next);
        memcpy(state, next, 16u);
        *at = 0;
    }
}

/* RFC 3610, 2.2 and 2.3. */
static void ccm_tag(BLOCK, const uint8_t *nonce,
                    unsigned nonce_size, const uint8_t *beside, size_t beside_size, const uint8_t *text, size_t size,
                    unsigned wanted, uint8_t *tag)
{
    uint8_t state[16] = {0};
    uint8_t first[16] = {0};
    size_t at = 0;
    first[0] = (uint8_t)((beside_size > 0 ? 0x40u : 0u) | ((wanted - 2u) / 2u) << 3u | (14u - nonce_size));
    memcpy(first + 1, nonce, nonce_size);
    for (unsigned i = 15u; i > nonce_size; i--) {
        first[i] = (uint8_t)((uint64_t)size >> (8u * (15u - i)));
    }
    mac_add(block, key, state, &at, first, 16u, true);
    if (beside_size > 0) {
        const uint8_t length[2] = {(uint8_t)(beside_size >> 8u), (uint8_t)beside_size};
        mac_add(block, key, state, &at, length, 2u, false);
        mac_add(block, key, state, &at, beside, beside_size, true);
    }
    mac_add(block, key, state, &at, text, size, true);
    memset(first + 1u + nonce_size, 0, 15u - nonce_size);
    first[0] = (uint8_t)(14u - nonce_size);
    block(key, first, tag);
    for (size_t i = 0; i < 16u; i++) {
        tag[i] = (uint8_t)(tag[i] ^ state[i]);
    }
}

/* The product in the field of NIST SP 800-38D, 6.3. */
static void gcm_times(uint8_t *state, const uint8_t *by)
{
    uint8_t product[16] = {0};
    uint8_t power[16];
    memcpy(power, by, 16u);
    for (unsigned bit = 0; bit < 128u; bit++) {
        const bool one = (((unsigned)state[bit / 8u] >> (7u - bit % 8u)) & 1u) != 0u;
        const bool carry = (power[15] & 1u) != 0u;
        for (unsigned i = 16u; i > 0; i--) {
            const unsigned in = i > 1u ? (power[i - 2u] & 1u) << 7u : 0u;
            product[i - 1u] = (uint8_t)(product[i - 1u] ^ (one ? power[i - 1u] : 0u));
            power[i - 1u] = (uint8_t)(in | (unsigned)power[i - 1u] >> 1u);
        }
        power[0] = (uint8_t)(power[0] ^ (carry ? 0xE1u : 0u));
    }
    memcpy(state, product, 16u);
}

/* GHASH: 6.4, the last block filled up with zeros. */
static void gcm_add(uint8_t *state, const uint8_t *by, const uint8_t *in, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        state[i % 16u] = (uint8_t)(state[i % 16u] ^ in[i]);
        if (i % 16u == 15u || i + 1u == size) {
            gcm_times(state, by);
        }
    }
}

static void gcm_lengths(uint8_t *state, const uint8_t *by, size_t beside_size, size_t size)
{
    uint8_t bits[16];
    for (unsigned i = 0; i < 8u; i++) {
        bits[i] = (uint8_t)((uint64_t)beside_size * 8u >> (56u - 8u * i));
        bits[8u + i] = (uint8_t)((uint64_t)size * 8u >> (56u - 8u * i));
    }
    gcm_add(state, by, bits, 16u);
}

/* The counter before the first block: 7.1, step 2. */
static void gcm_counter(BLOCK, const uint8_t *nonce,
                        unsigned nonce_size, uint8_t *counter)
{
    const uint8_t none[16] = {0};
    uint8_t by[16];
    memset(counter, 0, 16u);
    if (nonce_size == 12u) {
        memcpy(counter, nonce, 12u);
        counter[15] = 1u;
        return;
    }
    block(key, none, by);
    gcm_add(counter, by, nonce, nonce_size);
    gcm_lengths(counter, by, 0, nonce_size);
}

static void gcm_tag(BLOCK, const uint8_t *nonce,
                    unsigned nonce_size, const uint8_t *beside, size_t beside_size, const uint8_t *text, size_t size,
                    uint8_t *tag)
{
    const uint8_t none[16] = {0};
    uint8_t state[16] = {0};
    uint8_t by[16];
    uint8_t counter[16];
    block(key, none, by);
    gcm_add(state, by, beside, beside_size);
    gcm_add(state, by, text, size);
    gcm_lengths(state, by, beside_size, size);
    gcm_counter(block, key, nonce, nonce_size, counter);
    block(key, counter, tag);
    for (size_t i = 0; i < 16u; i++) {
        tag[i] = (uint8_t)(tag[i] ^ state[i]);
    }
}
""".replace("BLOCK", "void (*block)(const void *key, const uint8_t *in, uint8_t *out), const void *key")


def helpers(body: str) -> list[str]:
    """The functions that a source calls, each as its text, and those that they call; nearest is always one."""
    found: list[str] = []
    for part in reversed((_HELPERS + texts.HELPERS).strip("\n").split("\n\n")):
        if re.search(rf"\b{_name(part)}\(", body) or _name(part) == "nearest":
            found.insert(0, part)
            body += part
    return found


def _name(text: str) -> str:
    found = re.search(r"(\w+)\(", text.split("\n", 1)[1] if text.startswith("/*") else text)
    return found[1] if found else ""
