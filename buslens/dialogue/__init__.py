"""Frames become what was asked and what was answered.

model          addresses, transport messages, requests with their answers
transport      ISO 15765-2: frames of one sender become messages
services       ISO 14229-1: numbers and names of services, subfunctions and response codes
contents       the bytes of a message become its meaning
fault_codes    fault codes and their status bits
collect        the frames of a capture that may belong to a dialogue
pairs          who asked, and who answered
exchanges      each request with its answers
fault_history  how the fault codes of a unit changed
read           a whole capture to its dialogue
"""
