/// Whether these tests run under a sanitizer, whose own memory no promise counts.
#pragma once

namespace broadloom::test {

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
inline constexpr bool kSanitized = true;
#else
inline constexpr bool kSanitized = false;
#endif

}  // namespace broadloom::test
