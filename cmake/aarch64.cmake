# Toolchain for 64-bit ARM on a Debian of another processor: g++-aarch64-linux-gnu, qemu-user.
set(CMAKE_SYSTEM_NAME Linux)
set(CMAKE_SYSTEM_PROCESSOR aarch64)
set(CMAKE_CXX_COMPILER aarch64-linux-gnu-g++)
# CTest runs the tests by it; the second folder holds the C and C++ libraries that they link to.
set(CMAKE_CROSSCOMPILING_EMULATOR qemu-aarch64 -L /usr/aarch64-linux-gnu)
