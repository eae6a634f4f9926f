"""Checksums against published check values.

CRC check values are those of the nine ASCII characters "123456789" in the "Catalogue of parametrised CRC
algorithms" (G. Cook, reveng.sourceforge.io/crc-catalogue), written here from memory; binascii and zlib of the
standard library compute two of them independently. The LRC is that of the "MODBUS over Serial Line
Specification and Implementation Guide V1.02", 6.2.1 (two's complement of the sum without carries).
"""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import description
from drivers.checksums import Checksum, reflected
from drivers.framing import BadFrame

CHECK = b"123456789"
CATALOGUE = {
    "CRC-8/SMBUS": (Checksum("crc", 8, 0x07), 0xF4),
    "CRC-8/MAXIM-DOW": (Checksum("crc", 8, 0x31, 0, True, True), 0xA1),
    "CRC-8/I-432-1": (Checksum("crc", 8, 0x07, 0, final_xor=0x55), 0xA1),
    "CRC-8/ROHC": (Checksum("crc", 8, 0x07, 0xFF, True, True), 0xD0),
    "CRC-16/ARC": (Checksum("crc", 16, 0x8005, 0, True, True), 0xBB3D),
    "CRC-16/MODBUS": (Checksum("crc", 16, 0x8005, 0xFFFF, True, True), 0x4B37),
    "CRC-16/USB": (Checksum("crc", 16, 0x8005, 0xFFFF, True, True, 0xFFFF), 0xB4C8),
    "CRC-16/IBM-3740": (Checksum("crc", 16, 0x1021, 0xFFFF), 0x29B1),
    "CRC-16/XMODEM": (Checksum("crc", 16, 0x1021), 0x31C3),
    "CRC-16/KERMIT": (Checksum("crc", 16, 0x1021, 0, True, True), 0x2189),
    "CRC-16/IBM-SDLC": (Checksum("crc", 16, 0x1021, 0xFFFF, True, True, 0xFFFF), 0x906E),
    "CRC-24/OPENPGP": (Checksum("crc", 24, 0x864CFB, 0xB704CE), 0x21CF02),
    "CRC-32/ISO-HDLC": (Checksum("crc", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xCBF43926),
    "CRC-32/BZIP2": (Checksum("crc", 32, 0x04C11DB7, 0xFFFFFFFF, final_xor=0xFFFFFFFF), 0xFC891918),
}


@pytest.mark.parametrize("name", CATALOGUE)
def test_crc_check_value(name: str) -> None:
    checksum, check = CATALOGUE[name]
    assert checksum.compute(CHECK) == check


@given(st.binary(max_size=300))
def test_crc_agrees_with_the_standard_library(data: bytes) -> None:
    assert CATALOGUE["CRC-16/XMODEM"][0].compute(data) == binascii.crc_hqx(data, 0)
    assert CATALOGUE["CRC-32/ISO-HDLC"][0].compute(data) == zlib.crc32(data)


def test_crc_residue_of_a_message_with_its_own_checksum_is_constant() -> None:
    # Catalogue: the residue of CRC-16/MODBUS is 0x0000.
    checksum = CATALOGUE["CRC-16/MODBUS"][0]
    sealed = CHECK + checksum.compute(CHECK).to_bytes(2, "little")
    assert checksum.compute(sealed) == 0


def test_modbus_rtu_request_from_the_specification() -> None:
    # Reading one register of device 1: the request 01 03 00 00 00 0A carries C5 CD (often published).
    crc = CATALOGUE["CRC-16/MODBUS"][0].compute(bytes.fromhex("01 03 00 00 00 0A"))
    assert crc.to_bytes(2, "little") == bytes.fromhex("C5 CD")


def test_modbus_ascii_lrc() -> None:
    # The same request in ASCII mode is ":01030000000AF2".
    lrc = Checksum("lrc")
    message = bytes.fromhex("01030000000A")
    assert lrc.compute(message) == 0xF2
    # Definition: message and LRC sum to zero modulo 256.
    assert (sum(message) + lrc.compute(message)) % 256 == 0


def test_nmea_0183_checksum_is_the_exclusive_or() -> None:
    # A sentence often given as an example of NMEA 0183, with its checksum 47 (from memory).
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert Checksum("xor").compute(sentence) == 0x47


def test_intel_hex_record_sums_to_zero() -> None:
    # Intel HEX, "Hexadecimal Object File Format Specification" (1988): data record with checksum 40.
    record = bytes.fromhex("10010000214601360121470136007EFE09D21901")
    assert Checksum("lrc").compute(record) == 0x40


def test_plain_sum_keeps_its_width() -> None:
    assert Checksum("sum", 8).compute(bytes([200, 100])) == 300 % 256
    assert Checksum("sum", 16).compute(bytes([200, 100])) == 300


def test_reflected() -> None:
    assert reflected(0b0000_0001, 8) == 0b1000_0000
    assert reflected(0x1021, 16) == 0x8408  # the two customary forms of the same polynomial


NMEA = """
description = 1
kind = "instrument"
name = "Any talker of NMEA 0183"
[framing]
kind = "text"
request_start = "$"
reply_start = "$"
request_end = "\\r\\n"
reply_end = "\\r\\n"
[framing.checksum]
kind = "xor"
separator = "*"
[request.altitude]
send = "PASK"
reply = "GPGGA,{time:text},{lat:text},N,{lon:text},E,{fix:int},{used:int},{hdop:text},{altitude:decimal},REST"
query = true
"""


def test_a_whole_nmea_sentence_through_a_description() -> None:
    """The sentence is a common textbook example of NMEA 0183 (from memory)."""
    dialect = description.parse(NMEA.replace("REST", "M,{geoid:decimal},M,,"), "nmea.toml")
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    piece = dialect.framing.take(sentence)
    assert piece is not None
    seen = dialect.decode("altitude", piece.body)
    assert (seen["altitude"], seen["geoid"], seen["used"], seen["lat"]) == (545.4, 46.9, 8, "4807.038")
    assert dialect.encode("altitude") == b"$PASK*09\r\n"  # 0x50 ^ 0x41 ^ 0x53 ^ 0x4B
    with pytest.raises(BadFrame, match="checksum"):
        dialect.framing.take(sentence.replace(b"545.4", b"545.5"))
