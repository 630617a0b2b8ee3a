"""x86-64: functions that read the model's time from a page, to stand in the place of the vDSO's.

They keep to the System V ABI and use no stack.  `SLOT` holds the page's address, 0 for none; the page begins
with three words of 64 bits: what a clock that nobody sets shows and what the wall clock shows, in ns, and how
many reads are free.  Without a page, without free reads, and for other clocks the call is made.
"""

from __future__ import annotations

from typing import Final

# As the assembler gives it for, in Intel's notation:
#
# clock_gettime:                            gettimeofday:                     time:
#     mov rdx, [rip+slot]                       mov rdx, [rip+slot]               mov rdx, [rip+slot]
#     test rdx, rdx                             test rdx, rdx                     test rdx, rdx
#     jz 9f                                     jz 9f                             jz 9f
#     cmp edi, 11                               test rdi, rdi                     lock dec qword ptr [rdx+16]
#     ja 9f                                     jz 9f                             js 9f
#     mov eax, 0x2d2 # clocks 1, 4, 6, 7, 9     test rsi, rsi                     mov rax, [rdx+8]
#     bt eax, edi                               jnz 9f                            xor edx, edx
#     mov rax, [rdx]                            lock dec qword ptr [rdx+16]       mov ecx, 1000000000
#     jc 1f                                     js 9f                             div rcx
#     mov eax, 0x921 # 0, 5, 8, 11              mov rax, [rdx+8]                  test rdi, rdi
#     bt eax, edi                               xor edx, edx                      jz 1f
#     jnc 9f                                    mov ecx, 1000000000               mov [rdi], rax
#     mov rax, [rdx+8]                          div rcx                       1:  ret
# 1:  lock dec qword ptr [rdx+16]               mov [rdi], rax                9:  mov eax, 201
#     js 9f                                     mov eax, edx                      syscall
#     xor edx, edx                              xor edx, edx                      ret
#     mov ecx, 1000000000                       mov ecx, 1000
#     div rcx                                   div ecx                       getrandom:
#     mov [rsi], rax                            mov [rdi+8], rax                  mov eax, -38 # ENOSYS
#     mov [rsi+8], rdx                          xor eax, eax                      ret
#     xor eax, eax                              ret                               .balign 8
#     ret                                   9:  mov eax, 96                   slot: .quad 0
# 9:  mov eax, 228                              syscall
#     syscall                                   ret
#     ret
CODE: Final = bytes.fromhex(
    "488b15c90000004885d2743b83ff0b7736b8d20200000fa3f8488b02720eb8210900000fa3f8731f488b4208f048ff4a"
    "10781431d2b900ca9a3b48f7f14889064889560831c0c3b8e40000000f05c3488b157a0000004885d274344885ff742f"
    "4885f6752af048ff4a107823488b420831d2b900ca9a3b48f7f148890789d031d2b9e8030000f7f14889470831c0c3b8"
    "600000000f05c3488b15320000004885d2741ef048ff4a107817488b420831d2b900ca9a3b48f7f14885ff7403488907"
    "c3b8c90000000f05c3b8daffffffc3900000000000000000"
)
# Where each begins, by its name in the vDSO (vdso(7)).
ENTRIES: Final = {
    "__vdso_clock_gettime": 0x00,
    "__vdso_gettimeofday": 0x4F,
    "__vdso_time": 0x97,
    "__vdso_getrandom": 0xC9,
}
SLOT: Final = 0xD0


def jump(distance: int) -> bytes:
    """A jump to *distance* bytes from where it begins."""
    return b"\xe9" + (distance - 5).to_bytes(4, "little", signed=True)
