#include <catch2/catch.hpp>
TEST_CASE("x"){CHECK(1==1);}
