# What `cmake --install` leaves is enough to build and run the example of README.md.
if(TARGET broadloom)
  add_test(NAME install_test
    COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/pipeline/install_test.sh ${PROJECT_SOURCE_DIR}
      ${PROJECT_BINARY_DIR} ${CMAKE_CXX_COMPILER} ${CMAKE_COMMAND} "${BROADLOOM_SANITIZE}")
  set_tests_properties(install_test PROPERTIES TIMEOUT 300)
endif()
